"""Is the run valid in itself: repeats, fall of the viscosity, density slope, the run before; is its instrument?"""

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import pandas as pd

from labcalc import formulae
from labcalc.errors import OutOfRangeError
from labcalc.judgement.carry_over.effect import residue_check
from labcalc.judgement.certificates import UNITS, SuspectLot
from labcalc.judgement.checks import Check, State
from labcalc.judgement.control.status import ChartState
from labcalc.judgement.precision import RANGE_FACTOR
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.record.repeats import Agreement, independent_results
from labcalc.judgement.uncertainty.results import Result, Results, reported_value
from labcalc.lab import PrecisionStatement
from labcalc.statistics import critical_range
from labcalc.wording import at_celsius, celsius, decimals_of, numeral, p_value, plain, signed

DENSITY_SLOPE_LIMIT = 0.06  # how far a measured density slope may be from the table's, [kg/m³/K]: our own choice
LINE_SIGNIFICANCE = 0.01  # share of oils on the line that are yet called doubtful, [-]: labcalc's own choice
_NEIGHBOURS_K = 5.0  # temperatures nearer than this may be exchanged by noise, [K]: labcalc's own choice
_SLOPE_SPAN_K = 20.0  # a slope between temperatures nearer than this tells nothing, [K]: labcalc's own choice
REFUSED_ROWS = "Rows of this sample"  # name of the check
_TEMPERATURES = ": are the temperatures in °C, and not in kelvin or °F?"
_PROCEDURES = {"r": "ISO 5725-6:1994, 5.2 [memory]", "d": "ASTM D445, determinability [memory]"}  # of repeats
_NAME = "Reference oils of this instrument"
SUSPECTED = "its certificate or bottle is suspected before the instrument"
CHART_SIGNIFICANCE = 0.01  # share of checks without fault that all charts together call doubtful, [-]: our own choice


def repeat_checks(dossier: Dossier, results: Results) -> tuple[Check, ...]:
    """Compare the range of the repeats with the method's limit, for each quantity and temperature that has repeats."""
    own = (r for r in results.independent if not (r.follows and r.quantity == "density"))
    checks = tuple(_repeats(dossier, r) for r in own if len(r.repeats) > 1)
    return checks or (Check("Repeats", "not checked", "one determination at each temperature: nothing to compare"),)


def _repeats(dossier: Dossier, result: Result) -> Check:
    name = f"Repeats: {result.place}"
    found = result.agreement
    if found.statement is None or found.outcome == "not checked":
        return Check(name, "not checked", found.why_not, missed=True)
    values = ", ".join(reported_value(result.quantity, one) for one in result.repeats)
    spread = numeral(found.spread, decimals_of(found.limit, 3))
    apart = f"{values} {result.unit} lie {spread} {result.unit} apart; limit {numeral(found.limit, figures=3)}"
    finding = f"{apart} {result.unit}, {_limit_words(found, result, dossier)}{_alone(found, result)}"
    states: dict[str, tuple[State, str]] = {
        "agree": ("met", "the mean is the result"),
        "unusual": (
            "doubtful",
            f"the method allows it, but by {found.usual_number} earlier runs fills on this instrument keep "
            f"{numeral(found.usual, figures=3)} {result.unit} in 99 of 100 runs: look for a bubble or a residue",
        ),
        "measure more": ("not met", f"no result yet: measure {found.more} more"),
        "median": ("doubtful", f"the median, {result.reported} {result.unit}, is the result: look for the cause"),
        "disagree": ("not met", "no result: clean, fill anew and measure again"),
    }
    state, consequence = states[found.outcome]
    return Check(name, state, f"{finding}: {consequence}", f"{found.statement.title}; {_PROCEDURES[found.letter]}")


def _alone(found: Agreement, result: Result) -> str:
    """Say of repeats that are farther apart than one comparison allows what that is worth among several."""
    if found.outcome != "agree" or found.spread <= found.alone:
        return ""
    alone = f"{numeral(found.alone, figures=3)} {result.unit}, which one good pair in twenty exceeds"
    return f" for all comparisons of this run together (one alone: {alone})"


def _limit_words(found: Agreement, result: Result, dossier: Dossier) -> str:
    """Say which limit it is, and what the determinability would be where fills are taken for granted."""
    number, statement = len(result.repeats), found.statement
    if found.letter == "d":
        return f"d of {number} determinations of one fill"
    if dossier.laboratory.report.replicates == "determinations":
        return f"r of {number} results: no d is stated"
    determinability = math.nan if statement is None else float(statement.determinability.at(result.value))
    if math.isnan(determinability):
        return f"r of {number} fills"
    within = numeral(critical_range(determinability, number), figures=3)
    return f"r of {number} fills (determinations of one fill: d, {within} {result.unit})"


def decision_checks(dossier: Dossier) -> Iterator[Check]:
    """Show a decision that leaves the run, or a part of it, out, or waits: what somebody excluded is not released."""
    where = "the record" if dossier.laboratory.record else "decisions.jsonl"
    for one in (one for one in dossier.decisions if one.what == "exclude"):
        what = at_celsius(one.quantity or "the run", one.temperature_C)
        finding = f"{what} is excluded by {one.who}, {one.when:%Y-%m-%d}: {one.why}"
        yield Check("Decision", "doubtful" if one.quantity else "not met", finding, where)
    for one in dossier.waiting:
        state: State = "doubtful" if one.what in ("exclude", "accept", "count") else "not checked"
        finding = f"{one.what}, {one.who}, {one.when:%Y-%m-%d}: {one.why}: waits until another person confirms it"
        yield Check(f"Decision {one.number}", state, finding, where)


def refused_rows_check(dossier: Dossier) -> Iterator[Check]:
    """Say that rows of the run were refused in the same export: what was measured is not all judged."""
    if own := dossier.own_refusals:
        rows = "1 row of this sample was" if len(own) == 1 else f"{len(own)} rows of this sample were"
        yield Check(REFUSED_ROWS, "doubtful", f"{rows} refused: {own[0]}", "the export", about="decision")


def record_checks(dossier: Dossier) -> Iterator[Check]:
    """Say why the record doesn't hold the run: a version that contradicts it, or a time that can't be right."""
    for one in dossier.doubts:
        are_versions = one.about == "versions"
        name, which = ("One version", "one of them") if are_versions else ("Time of measurement", "or to exclude it")
        finding = f"{one.finding}: a decision to count {which} settles it"
        yield Check(name, "not met" if are_versions else "doubtful", finding, "decisions.jsonl")


def falling_checks(dossier: Dossier, results: Results) -> tuple[Check, ...]:
    """Ask whether the viscosity falls with temperature, and as steeply as that of liquids of the trade."""
    name, alike = "Viscosity falls with temperature", results.viscosities
    alike = alike or tuple(r for r in results if r.quantity == "dynamic viscosity")
    for cold, hot in pairwise(alike):
        if hot.temperature_C - cold.temperature_C >= _NEIGHBOURS_K and hot.value >= cold.value:
            at_hot, at_cold = (at_celsius(f"{r.reported} {r.unit}", r.temperature_C) for r in (hot, cold))
            return (Check(name, "not met", f"{at_hot} is not below {at_cold}: exchanged, or not of one sample"),)
    if not results.viscosities or alike[-1].temperature_C - alike[0].temperature_C < _SLOPE_SPAN_K:
        return ()
    try:
        slope = float(results.line_through([r.value for r in alike]).slope)
    except OutOfRangeError as refusal:
        return (Check(name, "not checked", str(refusal), missed=True),)
    found = formulae.judge_slope(slope, dossier.liquid or "petroleum liquid")
    finding = f"slope {numeral(slope, 3)}; liquids of the trade show {plain(found.lowest)} to {plain(found.highest)}"
    state: State = "met" if found.plausible else "doubtful"
    finding += "" if found.plausible else _TEMPERATURES
    return (Check(name, state, finding, formulae.edition_of("judge_slope")),)


def correction_checks(dossier: Dossier, results: Results) -> Iterator[Check]:
    """Say which densities the volume correction refuses: their temperature or they themselves are hardly right.
    A density beyond the tables is left to the product's typical value there, where there is one."""
    typical = dossier.product.typical if dossier.product else ()
    usual = [results.of(one.quantity, one.temperature_C) for one in typical]
    for one in results.densities:
        try:
            formulae.density_at(one.value, one.temperature_C, 15.0, commodity=dossier.commodity)
        except OutOfRangeError as refusal:
            if refusal.quantity != "density" or one not in usual:
                name = f"Density carried to 15 °C from {celsius(one.temperature_C)}"
                finding = f"{refusal}{_TEMPERATURES if refusal.quantity == 'temperature' else ''}"
                yield Check(name, "doubtful", finding, formulae.edition_of("density_at"))


def density_slope_check(dossier: Dossier, results: Results) -> Check:
    """Compare the density's fall with temperature with the one that the standard gives for the commodity group."""
    name = "Density slope"
    densities, commodity = [r for r in results.densities if not r.follows], dossier.commodity
    if len(densities) < 2:
        return Check(name, "not checked", "needs densities at two temperatures")
    cold, hot = densities[0], densities[-1]
    fall = (cold.value - hot.value) / (hot.temperature_C - cold.temperature_C)
    try:
        slope = formulae.density_slope(cold.value, cold.temperature_C, hot.temperature_C, commodity=commodity)
    except OutOfRangeError as refusal:
        return Check(name, "not checked", str(refusal), formulae.edition_of("density_slope"), missed=True)
    expected, between = -float(slope), f"{celsius(cold.temperature_C)} and {celsius(hot.temperature_C)}"
    finding = f"falls by {numeral(fall, 3)} kg/m³ a kelvin between {between}; {numeral(expected, 3)} expected for a "
    finding += f"{commodity}, ±{DENSITY_SLOPE_LIMIT:g}"
    state: State = "met" if abs(fall - expected) <= DENSITY_SLOPE_LIMIT else "doubtful"
    return Check(name, state, finding, f"{formulae.edition_of('density_slope')}; the limit is labcalc's own choice")


def line_check(dossier: Dossier, results: Results) -> Check:
    """Test three and more temperatures for a departure from the line, against the noise of repeats."""
    name, standard = "Viscosity-temperature line", formulae.edition_of("departure_from_line")
    inputs = results.viscosities
    if len(inputs) < 3:
        return Check(name, "not checked", "needs three temperatures: two lie on any line")
    if unknown := [r.agreement.why_not for r in inputs if r.agreement.statement is None]:
        return Check(name, "not checked", unknown[0], missed=True)
    known = [r.agreement.statement for r in inputs if r.agreement.statement is not None]
    numbers = [independent_results(r.repeats, dossier.laboratory) for r in inputs]
    noise = [  # standard deviation of a mean of repeats, [%]
        100.0 * (float(one.repeatability.at(r.value)) / RANGE_FACTOR) / math.sqrt(number) / r.value
        for r, one, number in zip(inputs, known, numbers, strict=True)
    ]
    degrees = min(one.degrees_of_freedom for one in known)
    try:
        found = formulae.departure_from_line(
            [r.temperature_C for r in inputs], [r.value for r in inputs], noise, noise_degrees_of_freedom=degrees
        )
    except OutOfRangeError as refusal:
        return Check(name, "not checked", str(refusal), standard, missed=True)
    return Check(
        name,
        "doubtful" if found.departs(LINE_SIGNIFICANCE) else "met",
        f"scatter about the line {math.sqrt(found.statistic):.2g} times the noise of repeats "
        f"({p_value(found.p_value)}, limit {LINE_SIGNIFICANCE:g}); the result at {celsius(inputs[0].temperature_C)} is "
        f"{signed(float(found.coldest_excess_percent))} % from the line through the others",
        f"{standard}; noise: {'; '.join(dict.fromkeys(one.title for one in known))}",
    )


def carry_over_check(dossier: Dossier, results: Results) -> Check:
    """Compare what the run before is expected to have left in the result with the method's repeatability."""

    def in_force(quantity: str, temperature_C: float, value: float) -> PrecisionStatement | None:
        found = results.of(quantity, temperature_C)
        return None if found is None else found.agreement.statement

    return residue_check(dossier.in_sequence, in_force)


# --- The instrument: its last reference oils against their certificates, and how old they are ---


def reference_checks(dossier: Dossier) -> tuple[Check, ...]:
    """Compare with the certificate: the run itself if it is a reference oil, else the last ones on its instrument."""
    if dossier.is_reference:
        return (_agreement("Agreement with the certificate", dossier.own_comparisons, dossier.suspect_lot),)
    if not dossier.laboratory.references or dossier.references.empty:
        nothing = "lab.toml names no reference oils: nothing shows that the instrument is right"
        return (Check(_NAME, "doubtful", dossier.why_no_references if dossier.laboratory.references else nothing),)
    last = dossier.last_references
    return (_agreement(f"{_NAME}: agreement", last, dossier.suspect_lot), _recency(f"{_NAME}: age", last, dossier))


def control_chart_check(dossier: Dossier) -> Check:
    """Say what the control charts of the run's instrument showed when the run ended, the worst first.
    What has moved and stayed away is doubtful, not a refusal: nothing is decided on statistics alone. Signals that
    chance alone shows too often on so many charts ask for that oil again, and hold no run back; others are doubtful."""
    name, charts = "Control charts of this instrument", dossier.charts
    if not charts:
        return Check(name, "not checked", dossier.why_no_references)
    worst, basis = charts[0], "limits from the baseline, [control] of lab.toml"
    if dossier.shifts:
        more = f" (and {len(dossier.shifts) - 1} more)" if len(dossier.shifts) > 1 else ""
        return Check(name, "doubtful", f"{dossier.shifts[0]}{more}: it has moved and stayed away", basis)
    finding = f"{worst.name}: {worst.finding}"
    if signals := sum(state.status == "signal" for state in charts):
        said = f"{finding} ({signals} of {len(charts)} charts {'signals' if signals == 1 else 'signal'})"
        if not _by_chance(charts) > CHART_SIGNIFICANCE:
            return Check(name, "doubtful", said, basis)
        days = f"{len(charts)} charts without fault show as much at one check in {numeral(1.0 / _by_chance(charts), 0)}"
        advice = f"repeat {worst.name.partition(',')[0]}, of which one chart signals"
        return Check(name, "met", f"{said}; {days}: repeat that oil", basis, advice=advice)
    if not (judged := [state for state in charts if state.status != "too few"]):
        return Check(name, "not checked", f"{finding} (the same or alike on {len(charts)} charts)", basis)
    furthest = max(judged, key=lambda state: state.distance if state.distance == state.distance else 0.0)
    without = len(charts) - len(judged)
    among = f"{len(judged)} with limits, {without} without" if without else f"{len(judged)} charts"
    return Check(name, "met", f"{furthest.name}: {furthest.finding} (the worst of {among})", basis)


def _by_chance(charts: Sequence[ChartState]) -> float:
    """Return how often chance alone shows charts so far out, [-]: Simes' test (Biometrika 73 (1986) 751, memory)."""
    known = sorted(one.chance for one in charts if one.chance == one.chance)
    return min((len(known) * chance / (place + 1) for place, chance in enumerate(known)), default=float("nan"))


def _agreement(name: str, comparisons: pd.DataFrame, suspect: SuspectLot | None) -> Check:
    known = comparisons.dropna(subset=["certified"])
    if without := sorted(set(comparisons["sample"]) - set(known["sample"])):
        return Check(name, "doubtful", f"no certificate in lab.toml was valid on the day for {', '.join(without)}")
    if known.empty:
        return Check(name, "not checked", "the certificates in lab.toml give no value at these temperatures")
    share = (known["value"] - known["certified"]).abs() / known["limit"]
    furthest = known.iloc[int(share.to_numpy().argmax())]
    state: State = "met" if share.max() <= 1.0 else "not met"
    finding = _sentence(furthest, len(known))
    if suspect and state == "not met":
        finding += f"; {suspect.lot} reads the same on the others ({suspect.readings}): {SUSPECTED}"
    return Check(name, state, finding, "certificates and [report] limits of lab.toml")


def _sentence(one: pd.Series, compared: int) -> str:
    quantity, unit = one["quantity"], UNITS[one["quantity"]]
    lot = f" lot {one['lot']}" if pd.notna(one["lot"]) else ""
    return (
        f"{one['sample']}{lot}, {at_celsius(quantity, one['temperature_C'])}, "
        f"{reported_value(quantity, one['value'])} {unit}, is {signed(one['value'] - one['certified'])} "
        f"from the certified {plain(one['certified'], 10)}; limit ±{numeral(one['limit'])}"
        + (f" (the worst of {compared})" if compared > 1 else "")
    )


def _recency(name: str, last: pd.DataFrame, dossier: Dossier) -> Check:
    allowed = dossier.laboratory.report.reference_age_h
    newest = last.iloc[int(last["measured_at"].to_numpy().argmax())]
    age = max((dossier.rows["measured_at"].min() - newest["measured_at"]) / pd.Timedelta(hours=1), 0.0)
    finding = f"{newest['sample']} {numeral(age, 1)} h before; limit {allowed:g} h"
    return Check(name, "met" if age <= allowed else "doubtful", finding, "lab.toml, [report] reference_age_h")
