"""Is the instrument right? The last reference-oil results against their certificates, and how old they are."""

from collections.abc import Sequence

import pandas as pd

from labcalc.judgement.certificates import UNITS, SuspectLot
from labcalc.judgement.checks import Check, State
from labcalc.judgement.control.status import ChartState
from labcalc.judgement.record.dossier import Dossier
from labcalc.judgement.uncertainty.results import reported_value
from labcalc.wording import at_celsius, numeral, plain, signed

_NAME = "Reference oils of this instrument"
SUSPECTED = "its certificate or bottle is suspected before the instrument"
CHART_SIGNIFICANCE = 0.01  # share of checks without fault that all charts together call doubtful, [-]: our own choice


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
    signals = sum(state.status == "signal" for state in charts)
    if signals:
        said = f"{finding} ({signals} of {len(charts)} charts {'signals' if signals == 1 else 'signal'})"
        if not _by_chance(charts) > CHART_SIGNIFICANCE:
            return Check(name, "doubtful", said, basis)
        days = f"{len(charts)} charts without fault show as much at one check in {numeral(1.0 / _by_chance(charts), 0)}"
        advice = f"repeat {worst.name.partition(',')[0]}, of which one chart signals"
        return Check(name, "met", f"{said}; {days}: repeat that oil", basis, advice=advice)
    judged = [state for state in charts if state.status != "too few"]
    if not judged:
        return Check(name, "not checked", f"{finding} (the same or alike on {len(charts)} charts)", basis)
    furthest = max(judged, key=lambda state: state.distance if state.distance == state.distance else 0.0)
    without = len(charts) - len(judged)
    among = f"{len(judged)} with limits, {without} without" if without else f"{len(judged)} charts"
    return Check(name, "met", f"{furthest.name}: {furthest.finding} (the worst of {among})", basis)


def _by_chance(charts: Sequence[ChartState]) -> float:
    """Return how often chance alone shows all charts together as far out as these, [-]: Simes' test, which holds for
    charts of one oil too, as they move together [Simes, Biometrika 73 (1986) 751, from memory]."""
    known = sorted(one.chance for one in charts if one.chance == one.chance)
    return min((len(known) * chance / (place + 1) for place, chance in enumerate(known)), default=float("nan"))


def _agreement(name: str, comparisons: pd.DataFrame, suspect: SuspectLot | None) -> Check:
    known = comparisons.dropna(subset=["certified"])
    without = sorted(set(comparisons["sample"]) - set(known["sample"]))
    if without:
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
