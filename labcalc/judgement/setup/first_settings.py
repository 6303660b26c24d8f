"""A first lab.toml from exports: what they name and show; what only the owner knows is left as a question."""

import glob
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labcalc.exports import QUANTITY_COLUMNS, Reading, read_exports
from labcalc.exports.guessing.proposal import quoted, remark, written
from labcalc.judgement.setup.description import OPEN_QUESTION, prefixes_of
from labcalc.lab import laboratory_from, name_fits, product_classes
from labcalc.statistics import algorithm_a, rounded, rounded_to_figures
from labcalc.wording import counted, first_of

_WORDS = tomllib.loads(files("labcalc.data").joinpath("first_settings.toml").read_text("utf-8"))
_FEWEST_RESULTS = 5  # results from which a typical value is told: our own choice
_FEWEST_DAYS = 4  # days on which a name has to come again to be taken for a reference oil: our own choice
_STEADY = 0.005  # relative spread of viscosity that repeats of one oil stay below, batches hardly: our own choice
# width of the middle 80 % of viscosities, relative, above which names that begin alike aren't taken for one product:
# our own choice; neighbouring grades of ISO 3448 are 0.4 apart
_ALIKE = 0.3


@dataclass(frozen=True)
class FirstSettings:
    """The text of a lab.toml that can be loaded, and the exports that it was made from."""

    text: str
    reading: Reading


def propose_settings(
    exports: Sequence[str | Path], *, profiles: Sequence[str] = (), folder: str | Path = "."
) -> FirstSettings:
    """Write a first lab.toml, without any certified value, limit or precision class: these are questions.

    exports : The exports; those that can't be read are named in the text.
    profiles : ``[[profile]]`` tables as TOML: the exports are read with them, and they go into the text as they are.
    folder : Where the lab.toml will lie; the patterns of its record start from there.
    Raises ExportError, SettingsError : No export can be read, or a profile can't be used.
    """
    head = _WORDS["head"].format(exports=counted(len(exports), "export"))
    proposed = "".join(f"\n{one.strip()}\n" for one in profiles)
    taken = laboratory_from(head + proposed).profiles
    reading, asked = read_exports(exports, profiles=taken), [pattern for one in taken for pattern in one.files]
    rows = _rows(reading.table)
    people = ", ".join(filter(None, rows["operator"].unique()))
    oils = _reference_oils(rows)
    parts = (
        f"{head}earlier_exports = {written(tuple(_patterns(exports, Path(folder).resolve())))}\n",
        *(_WORDS["instrument"].format(name=quoted(one)) for one in rows["instrument"].unique() if one),
        f"\n# Operators in these exports, whom lab.toml doesn't list: {remark(people)}\n" if people else "",
        proposed,
        *(_WORDS["unread"].format(failure=remark(one)) for one in reading.failures if not name_fits(one.file, asked)),
        *(_reference(one, rows[rows["sample"] == one]) for one in oils),
        *_products(rows[~rows["sample"].isin(oils)]),
        _WORDS["tail"],
    )
    text = "".join(parts)
    laboratory_from(text)  # what can't be loaded is never handed out
    return FirstSettings(text, reading)


def _rows(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table by quantity, with days and weeks; names that differ by case only are spelt as the first."""
    names = ("run", "sample", "product", "lot", "role", "instrument", "operator")
    rows = table.assign(**{name: _spelt_once(table[name]) for name in names})
    moment, temperature_C = pd.to_datetime(table["measured_at"]).dt, table["temperature_C"].round(1)
    rows = rows.rename(columns={column: quantity for quantity, column in QUANTITY_COLUMNS.items()})
    return rows.assign(day=moment.date, week=moment.strftime("%G-%V"), temperature_C=temperature_C)


def _spelt_once(names: pd.Series) -> pd.Series:
    texts = names.astype(object).where(names.notna(), "").astype(str).str.strip()
    folded = texts.str.casefold()
    return folded.map(dict(zip(folded[::-1], texts[::-1], strict=True)))


def _patterns(exports: Sequence[str | Path], home: Path) -> list[str]:
    """Return patterns that fit the exports, one for each folder and ending."""
    found: dict[str, None] = {}
    for path in (Path(one).resolve() for one in exports):
        folder = path.parent.relative_to(home) if path.is_relative_to(home) else path.parent
        found[(Path(glob.escape(str(folder))) / f"*{path.suffix}").as_posix()] = None
    return list(found)


def _reference_oils(rows: pd.DataFrame) -> list[str]:
    """Return the names that the exports call reference oils, and those that come again and again and stay the same."""
    weeks = rows[rows["instrument"] != ""].groupby("instrument")["week"].nunique()
    named = ((str(name), some) for name, some in rows.groupby("sample", sort=False) if name)
    return [name for name, some in named if "reference" in some["role"].to_numpy() or _comes_again(some, weeks)]


def _comes_again(some: pd.DataFrame, weeks: pd.Series) -> bool:
    """Tell whether a name stands in every other week of each instrument, always with the same viscosity."""
    if some["day"].nunique() < _FEWEST_DAYS or weeks.empty:
        return False
    own = some.groupby("instrument")["week"].nunique().reindex(weeks.index, fill_value=0)
    values = (one.dropna() for _, one in some.groupby(["lot", "temperature_C"])[_viscosity(some)])
    found = [algorithm_a(one) for one in values if len(one) >= _FEWEST_DAYS]
    steady = bool(found) and np.median([one.deviation / one.mean for one in found]) <= _STEADY
    return bool(steady and (2 * own >= weeks).all())


def _viscosity(rows: pd.DataFrame) -> str:
    return "kinematic viscosity" if rows["kinematic viscosity"].notna().any() else "dynamic viscosity"


def _results(rows: pd.DataFrame) -> Iterator[tuple[str, float, NDArray[np.float64]]]:
    """Yield quantity, temperature and the mean of each run."""
    for quantity in (_viscosity(rows), "density"):
        means = rows.dropna(subset=[quantity]).groupby(["temperature_C", "run"])[quantity].mean()
        for temperature_C in means.index.unique("temperature_C"):
            yield quantity, float(temperature_C), means.loc[temperature_C].to_numpy()


def _reference(name: str, rows: pd.DataFrame) -> str:
    """Return the tables of a reference oil, to be filled in: every line is a remark, and no value is given."""
    lines = ["[[reference]]", f"name = {quoted(name)}", f"samples = {written((glob.escape(name),))}"]
    for lot in rows["lot"].unique():
        some = rows[rows["lot"] == lot]
        values = (f'quantity = "{quantity}", temperature_C = {at:g}' for quantity, at, _ in _results(some))
        lines += ["[[reference.lot]]", f"lot = {quoted(lot) if lot else '?'}  # {_seen(some)}"]
        lines += ["valid_from = ?", "valid_to = ?", "certified = ["]
        lines += [*(f"    {{ {one}, value = ?, expanded_uncertainty = ? }}," for one in values), "]"]
    question = f"\n{OPEN_QUESTION} is {quoted(name)} a reference oil? Then fill in what its certificate says.\n"
    return question + "".join(f"# {line}\n" for line in lines)


def _seen(rows: pd.DataFrame) -> str:
    days = rows["day"].dropna()
    return counted(rows["run"].nunique(), "run") + (f", {min(days)} to {max(days)}" if len(days) else "")


def _products(rows: pd.DataFrame) -> Iterator[str]:
    named = {name.casefold(): name for name in rows["product"].unique() if name}
    prefixes: dict[str, list[str]] = {name: [] for name in named.values()}
    for prefix, some in _prefixes(rows):
        stem = prefix.rstrip("-_/. ")
        name = next(filter(None, some["product"].unique()), named.get(stem.casefold(), stem))
        prefixes.setdefault(name, []).append(prefix)
    if prefixes:
        yield _WORDS["products"].format(classes=", ".join(product_classes()))
    # where one name begins with another, the longer comes first, and its pattern takes what fits both
    for name in sorted(prefixes, key=lambda name: next(iter(prefixes[name]), "") + "\uffff"):
        begins = rows["sample"].str.casefold().str.startswith(tuple(one.casefold() for one in prefixes[name]))
        yield _product(name, prefixes[name], rows[(begins & (rows["product"] == "")) | (rows["product"] == name)])


def _prefixes(rows: pd.DataFrame, depth: int = 0) -> Iterator[tuple[str, pd.DataFrame]]:
    """Yield what several samples' names begin with, and their rows, where these can be one product."""
    begins = {name: one.casefold() for name in rows["sample"].unique() for one in prefixes_of(name)[depth : depth + 1]}
    for _, some in rows.groupby(rows["sample"].map(begins), sort=False):
        if some["sample"].nunique() > 1 and _can_be_one_product(some):
            yield prefixes_of(some["sample"].iloc[0])[depth], some
        elif some["sample"].nunique() > 1:
            yield from _prefixes(some, depth + 1)


def _can_be_one_product(rows: pd.DataFrame) -> bool:
    """Tell whether the exports name one product at most, and viscosities don't speak against what they don't name."""
    names = set(rows["product"])
    if "" not in names or len(names) > 2:
        return len(names) == 1
    viscosities = (results for quantity, _, results in _results(rows) if quantity != "density")
    return all(np.ptp(np.quantile(one, (0.1, 0.9))) <= _ALIKE * np.median(one) for one in viscosities)


def _product(name: str, prefixes: Sequence[str], rows: pd.DataFrame) -> str:
    lines = ["", "[[product]]", f"# {_seen(rows)}: {remark(first_of(rows['sample'].unique()))}"]
    lines += [] if name in set(rows["product"]) else [f"{OPEN_QUESTION} what is it called?"]
    lines += [f"name = {quoted(name)}"]
    lines += [f"samples = {written(tuple(f'{glob.escape(one)}*' for one in prefixes))}"] if prefixes else []
    typical = [line for one in _results(rows) if (line := _typical(*one))]
    return "\n".join([*lines, *(["typical = [", *typical, "]"] if typical else []), ""])


def _typical(quantity: str, temperature_C: float, results: NDArray[np.float64]) -> str:
    """Return a line with mean and standard deviation, this to two figures; nothing where there are too few results."""
    if len(results) < _FEWEST_RESULTS or not (found := algorithm_a(results)).deviation > 0.0:
        return ""
    deviation = rounded_to_figures(float(found.deviation), 2)
    mean = rounded(float(found.mean), max(0, -int(deviation.as_tuple().exponent)))
    what = f'quantity = "{quantity}", temperature_C = {temperature_C:g}'
    return f"    {{ {what}, mean = {mean:f}, standard_deviation = {deviation:f} }},  # n = {len(results)}"
