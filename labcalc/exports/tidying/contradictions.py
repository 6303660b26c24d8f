"""What contradicts itself: cells of a row, columns exchanged, lines among the rows that say what those beneath are."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labcalc.exports.arranging.divisions import Sections, refuse_other_header
from labcalc.exports.arranging.flat import Field
from labcalc.exports.grammar.vocabulary import LIMITS, is_invalid
from labcalc.exports.profile import FOR_ALL_ROWS
from labcalc.exports.source.text import ContentError, Record, shown
from labcalc.exports.table import QUANTITY_COLUMNS
from labcalc.exports.tidying.cells import Cells
from labcalc.wording import celsius

_CONSISTENCY_ALLOWANCE = 1e-4  # of η beside ν·ρ, beyond rounding: instruments compute with more figures than they print
_FROM_SET_K = 0.5  # from set to read, as precision statements hold (common practice); a good bath: 0.02 K (ASTM D445)
_WITHIN = f'expected the two within {_FROM_SET_K:g} K, or "ignored" for one of them in [profile.columns] of lab.toml'
_SAID_OF_ROWS = tuple(holds for holds in FOR_ALL_ROWS if holds != "remark")
_Printed = tuple[NDArray[np.float64], NDArray[np.float64]]  # values, and half a unit of their last printed place


@dataclass
class Determinations:
    """All rows at one temperature; ``derived``: the place from 1 of the quantity that was derived, 0 where none was."""

    at: float | None
    fields: list[Field]
    temperature: NDArray[np.float64]
    values: dict[str, NDArray[np.float64]]
    halves: dict[str, NDArray[np.float64]]
    derived: NDArray[np.int8]

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Whether the row has any quantity at this temperature."""
        nu, eta, rho = (self.values[name] for name in QUANTITY_COLUMNS)
        return ~(np.isnan(nu) & np.isnan(eta) & np.isnan(rho))


def check_status(cells: Cells) -> None:
    """Refuse the rows that the laboratory itself calls invalid."""
    for place in (one for one in cells.layout.fields if one.holds == "status"):
        column = cells.column(place)
        for row in column.rows_of([at for at, text in enumerate(column.distinct) if is_invalid(text)]):
            expected = 'profile.set_aside can name it, or "ignored" for the column in [profile.columns] takes such rows'
            cells.note(row, place, cells.cell(place, row), expected)


def hold_against_the_row(cells: Cells, groups: list[Determinations]) -> None:
    """Refuse rows whose own temperature isn't that of the headers, if they have one; a row is one determination."""
    for group in groups:
        place = thermometer(cells, group.fields[0].repeat)
        if group.at is None or group.fields[0].is_told or place is None or place.position < 0:
            continue
        apart = group.measured & (np.abs(cells.numbers(place)[0] - group.at).round(9) > _FROM_SET_K)
        said = f"column '{shown(group.fields[0].header)}' is for {celsius(group.at)}"
        for row in np.flatnonzero(apart).tolist():
            cells.note(row, place, cells.cell(place, row), f"{said}; {_WITHIN}, or temperature_C of that column")
        for other in groups:
            if other.at is None and other.fields[0].repeat == group.fields[0].repeat:
                _join(other, group)


def _join(group: Determinations, other: Determinations) -> None:
    """Move what was measured beside others into their determination, where it is of another quantity."""
    both = [~np.isnan(group.values[name]) & ~np.isnan(other.values[name]) for name in QUANTITY_COLUMNS]
    moved = group.measured & other.measured & ~np.logical_or.reduce(both)
    for of in ("values", "halves"):
        for name, values in getattr(other, of).items():
            mine = getattr(group, of)
            mine[name] = np.where(moved & np.isnan(mine[name]), values, mine[name])
    other.values = {name: np.where(moved, np.nan, values) for name, values in other.values.items()}
    group.fields = [*group.fields, *other.fields]


def thermometer(cells: Cells, repeat: int) -> Field | None:
    """Return the column of the temperature at which these repeats were measured."""
    return _beside(cells, "temperature", repeat) or _beside(cells, "set temperature", repeat)


def _beside(cells: Cells, holds: str, repeat: int) -> Field | None:
    """Return the column that holds something of these repeats, or the one of all."""
    own = (one for one in cells.layout.fields if (one.holds, one.repeat) == (holds, repeat))
    return next(own, None) or cells.where(holds)


def check_set_temperature(cells: Cells) -> None:
    """Refuse the rows whose temperature as read isn't the one that was set, or that a line above the header says."""
    repeats = sorted({one.repeat for one in cells.layout.fields})
    pairs = [(_beside(cells, "set temperature", one), _beside(cells, "temperature", one)) for one in repeats]
    above, _ = cells.layout.preamble.get("temperature", (None, ""))
    in_rows = (one for one in cells.layout.fields if one.header not in cells.profile.sections)
    pairs += [(above, one) for one in in_rows if one.holds == "temperature"]
    for was_set, read in dict.fromkeys(pairs):
        if was_set is None or read is None or was_set.position == -1:
            continue
        gap = np.abs(cells.numbers(was_set)[0] - cells.numbers(read)[0]).round(9)
        place = "column" if was_set.position >= 0 else f"line {-1 - was_set.position},"
        for row in np.flatnonzero(gap > _FROM_SET_K).tolist():
            said = f"{place} '{shown(was_set.header)}' has '{shown(cells.cell(was_set, row))}'"
            cells.note(row, read, cells.cell(read, row), f"{said}; {_WITHIN}")


def check_consistency(cells: Cells, group: Determinations) -> None:
    """Refuse the rows where η isn't ν·ρ; raise ExportError where it is in none as headed, and in all exchanged."""
    nu, eta, rho = ((group.values[name], group.halves[name]) for name in QUANTITY_COLUMNS)
    expected, allowed = _product(nu, rho, eta)
    wrong = np.abs(eta[0] - expected) > allowed
    exchanged, within = _product(eta, rho, nu)
    if wrong.any() and (wrong == ~np.isnan(expected + eta[0])).all() and not (np.abs(nu[0] - exchanged) > within).any():
        names = " and ".join(f"'{shown(one.header)}'" for one in group.fields if "viscosity" in one.holds)
        raise ContentError(
            f"columns {names} look exchanged: in no row is dynamic viscosity = kinematic viscosity · density, and in "
            "all of them the other way round; [profile.columns] of lab.toml says what each holds, with its unit"
        )
    for row in np.flatnonzero(wrong).tolist():
        one = next(field for field in group.fields if field.holds == "dynamic viscosity")
        said = f"expected {expected[row]:.5g} mPa·s, kinematic viscosity · density, within {allowed[row]:.2g} mPa·s"
        cells.note(row, one, cells.cell(one, row), said)


def _product(viscosity: _Printed, density: _Printed, other: _Printed) -> _Printed:
    """Return viscosity · density, in mPa·s of mm²/s and kg/m³ (η = ν·ρ), and how far the other may be from it."""
    (nu, half_nu), (rho, half_rho) = viscosity, density
    product = nu * rho / 1000.0
    return product, other[1] + (half_nu * rho + half_rho * nu) / 1000.0 + _CONSISTENCY_ALLOWANCE * product


def refuse_dividing_lines(cells: Cells) -> None:
    """Raise ExportError where a line that is no row, and so is refused, stands above rows that are read."""
    if not cells.refused:
        return
    last = int(np.flatnonzero(cells.good).max(initial=-1))
    own = [one for one in cells.layout.fields if one.position >= 0 and one.header not in cells.profile.sections]
    fields = sorted(own, key=lambda one: one.holds not in LIMITS)
    heads = Sections(_SAID_OF_ROWS, cells.profile.columns)
    for row in sorted(row for row in cells.refused if row < last):
        texts = [(one.position, (one.header, one.unit), cells.cell(one, row)) for one in fields]
        place = f"line {cells.lines[row]}"
        words = ", ".join(text for *_, text in sorted(texts) if text)
        refuse_other_header(((above, text) for _, above, text in texts), place, words, cells.layout.header_line)
        written = {0: cells.first(row)} | {position: text for position, _, text in texts}
        kind, value = heads.head(Record(0, [written[at] for at in sorted(written)]), False)
        if kind and cells.layout.of(kind) is None and value != cells.layout.preamble.get(kind, ("", ""))[1]:
            raise ContentError(
                f"{place} says '{shown(value)}' ({kind}) of the lines beneath it, and isn't understood so; "
                f'profile.sections = ["{kind}"] in lab.toml reads it'
            )
