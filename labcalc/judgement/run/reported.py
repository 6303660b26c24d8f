"""The results as they are signed and handed on: to a person, and to programs by ``data/results.schema.json``."""

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from labcalc import __version__
from labcalc.judgement.checks import Check, HeldLimit
from labcalc.judgement.record.dossier import first_text
from labcalc.judgement.run.verdict import Judgement, next_steps
from labcalc.judgement.uncertainty.results import Consequence, Result, missing
from labcalc.lab import Laboratory, method_of
from labcalc.wording import at_celsius, numeral, plain

_LEADING = ("Viscosity index", "Density at 15 °C")  # stand with what was measured although no limit asks for them
FORMAT = "labcalc results 1"
# codes of the Unified Code for Units of Measure; a unit that it lacks stays empty
_UCUM = {"mm²/s": "mm2/s", "mPa·s": "mPa.s", "kg/m³": "kg/m3", "°API": "[degAPI]", "%": "%", "": "1"}


@dataclass(frozen=True)
class Reported:
    """One quantity of a run, as a person signs it and as a program reads it."""

    of: Result | Consequence  # its name, value, unit and uncertainty
    method: str  # with edition; empty where lab.toml names none
    note: str
    leads: bool  # whether it was measured, a limit asks for it, or every customer does
    check: Check | None  # holds it against its limit; None without one
    determinations: int = 0  # 0: it was calculated

    @property
    def limit(self) -> HeldLimit | None:
        return self.check.limit if self.check else None

    @property
    def shown_uncertainty(self) -> str:
        """The expanded uncertainty, rounded; 'unknown', or a dash of a word."""
        if math.isnan(self.of.value) and not self.determinations:
            return "–"
        return numeral(self.of.expanded_uncertainty, unknown="unknown")

    @property
    def parts(self) -> tuple[str, float]:
        """Its name taken apart: quantity, and temperature in °C, NaN where there is none."""
        found = re.fullmatch(r"(.+?) at (\S+) °C", self.of.name)
        return (found[1], float(found[2].replace("−", "-"))) if found else (self.of.name, math.nan)


def reported_of(judgement: Judgement) -> tuple[Reported, ...]:
    """Return what a run reports: measured, then calculated, then what a limit asks for and the run doesn't give."""
    limited = ((one.limit, one) for one in (*judgement.checks, *_certified(judgement)) if one.limit)
    held = {at_celsius(limit.quantity, limit.temperature_C).casefold(): one for limit, one in limited}
    lines = (*_measured(judgement, held), *_calculated(judgement, held))
    given = {one.of.name.casefold() for one in lines}
    return (*lines, *(_absent(one) for place, one in held.items() if place not in given))


def _certified(judgement: Judgement) -> Iterator[Check]:
    """Hold a reference oil's results against its certificate."""
    dossier = judgement.dossier
    if not dossier.is_reference:
        return
    for one in dossier.own_comparisons.dropna(subset=["certified", "limit"]).to_dict("records"):
        certified, limit = float(one["certified"]), float(one["limit"])
        ends, words = (certified - limit, certified + limit), f"{plain(certified)} ± {numeral(limit)}"
        held = HeldLimit(str(one["quantity"]), float(one["temperature_C"]), *ends, words, "certificate")
        yield Check(words, "met" if ends[0] <= one["value"] <= ends[1] else "doubtful", words, limit=held)


def _measured(judgement: Judgement, held: Mapping[str, Check]) -> Iterator[Reported]:
    dossier = judgement.dossier
    through = {"dynamic viscosity": "ν·ρ", "kinematic viscosity": "η/ρ", "density": "η/ν"}
    for one in judgement.results:
        check, note = held.get(one.name.casefold()), f"median of {len(one.repeats)}" if one.rule == "median" else ""
        own = through[one.quantity] if one.follows else method_of(dossier.laboratory, dossier.instrument, one.quantity)
        alone = one in judgement.results.independent and (not one.follows or one.quantity == "kinematic viscosity")
        yield Reported(one, own, note, check is not None or alone, check, len(one.repeats))


def _calculated(judgement: Judgement, held: Mapping[str, Check]) -> Iterator[Reported]:
    measured = {one.name for one in judgement.results}
    for one in (one for one in judgement.consequences if one.name not in measured):
        check = held.get(one.name.casefold())
        leads = check is not None or (one.name in _LEADING and not math.isnan(one.value))
        yield Reported(one, one.standard, one.note, leads, check)


def _absent(check: Check) -> Reported:
    name = check.name.removeprefix("Specification: ")
    why = check.finding.removeprefix("the limit could not be held: ")
    return Reported(missing(f"{name[0].upper()}{name[1:]}", "", "", why), "", why, True, check)


# --- For programs ---


def results_for_programs(judgements: Iterable[Judgement]) -> dict[str, Any]:
    """Return judged runs of one laboratory as JSON can carry them: what is unknown is null, no number is rounded."""
    judged = list(judgements)
    laboratory = judged[0].dossier.laboratory if judged else None
    return {"format": FORMAT, **made_by(laboratory), "runs": [_run(one) for one in judged]}


def made_by(laboratory: Laboratory | None) -> dict[str, str | None]:
    """Return what a document says of where it comes from: the version, the laboratory, its settings, its record."""
    return {
        "made_by": f"labcalc {__version__}",
        "laboratory": laboratory.name if laboratory else None,
        "lab_toml_sha256": (laboratory.sha256 or None) if laboratory else None,
        "record_head": str(laboratory.recorded) if laboratory and laboratory.recorded else None,
    }


def results_table(document: Mapping[str, Any]) -> pd.DataFrame:
    """Return what ``results_for_programs`` returned as a table: a row a result, with the facts of its run."""
    shared = ("report_number", "sample", "product", "lot", "instrument", "operator", "measured_from", "verdict")
    rows = []
    for run in document["runs"]:
        first = run["exports"][0] if run["exports"] else {}
        export = {"export": first.get("file"), "export_sha256": first.get("sha256")}
        export["export_lines"] = str(first.get("lines"))
        rows += [{name: run[name] for name in shared} | result | export for result in run["results"]]
    return pd.DataFrame(rows)


def _run(judgement: Judgement) -> dict[str, Any]:
    dossier, rows = judgement.dossier, judgement.dossier.rows
    lines = rows.groupby("source_file", sort=False)["source_line"].apply(list)
    asking = [one for one in judgement.checks if one.state in ("not met", "doubtful") or one.missed]
    reasons = [{"check": one.name, "state": one.state, "finding": one.finding, "basis": one.basis} for one in asking]
    return {
        "run": dossier.run,
        "report_number": dossier.report_number,
        "sample": dossier.sample,
        "product": dossier.product_name or None,
        "lot": first_text(rows["lot"]) or None,
        "instrument": dossier.instrument or None,
        "operator": ", ".join(dict.fromkeys(map(str, rows["operator"].dropna()))) or None,
        "measured_from": _moment(rows["measured_at"].min()),
        "measured_to": _moment(rows["measured_at"].max()),
        "verdict": judgement.verdict,
        "reason": judgement.reason,
        "what_to_do": list(next_steps(judgement)),
        "reasons": reasons,
        "results": [_result(one) for one in reported_of(judgement)],
        "exports": [
            {"file": one.name, "sha256": one.sha256, "lines": [int(n) for n in lines.get(one.name, [])]}
            for one in dossier.sources
        ],
    }


def _result(one: Reported) -> dict[str, Any]:
    method, _, edition = one.method.partition(", edition ")
    of, budget, limit, (quantity, temperature) = one.of, one.of.budget, one.limit, one.parts
    return {
        "quantity": quantity,
        "temperature_C": number(temperature),
        "value": number(of.value),
        "reported": of.reported,
        "unit": of.unit,
        "ucum": _UCUM.get(of.unit, "") if math.isfinite(of.value) else "",
        "expanded_uncertainty": number(of.expanded_uncertainty),
        "coverage_factor": number(budget.coverage_factor),
        "coverage": 0.95 if math.isfinite(of.expanded_uncertainty) else None,
        "degrees_of_freedom": number(budget.effective_degrees_of_freedom),
        "determinations": one.determinations,
        "method": method or None,
        "edition": edition or None,
        "lowest": number(limit.lowest) if limit else None,
        "highest": number(limit.highest) if limit else None,
        "decision_rule": (limit.rule or None) if limit else None,
        "limit_state": one.check.state if one.check else None,
        "note": one.note or None,
    }


def number(value: float) -> float | None:
    """Return a number as JSON can carry it: null where it is none."""
    return float(value) if math.isfinite(value) else None


def _moment(moment: Any) -> str | None:
    return None if pd.isna(moment) else str(moment.isoformat())
