"""Rounds of proficiency tests: each by its scores, all of a quantity together."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from scipy.special import fdtrc

from labcalc import statistics
from labcalc.judgement.duplicates.report import DUPLICATE_VERDICTS
from labcalc.judgement.studies import reading
from labcalc.judgement.studies.reading import Finding, Study, StudyFile, StudyTable
from labcalc.statistics.series import Array
from labcalc.wording import counted, first_of, numeral, p_value, signed

_COLUMNS = {
    **dict.fromkeys(("scheme", "round", "quantity", "unit", "participants", "date"), reading.TEXT),
    **dict.fromkeys(("own", "assigned"), reading.NUMBER),
    **dict.fromkeys(("sigma", "U_assigned", "U_own", "s_own", "n_own"), reading.POSITIVE),
}
_CAUSE = "Find the cause and keep it with the round: transcription, sample, calibration, the control chart of that day."
_CLAIM = "The stated uncertainty is too small for this difference: look through the budget for what is missing."
_BIAS = "Measure a reference oil of another source; look at calibration, temperature and constant."
_SCATTER = "Look at long-term precision, and whether σ_pt fits the level."
_SURENESS_OF_Q = 0.7  # of the degrees of freedom of a plain standard deviation
_FEW = 12  # laboratories below which a robust spread is no firm ground for scores


@dataclass(frozen=True, eq=False)
class ScoredRound:
    """One round of one quantity, with every score that what is known allows, z or z′ first; NaN where it doesn't."""

    name: str
    day: date | None
    quantity: str
    own: float
    assigned: float
    sigma: float
    scores: dict[str, float]
    reason: str  # why z, or why z′
    participants: Array
    robust: dict[str, statistics.RobustEstimate]
    from_results: bool
    own_spread: float  # own over the round's standard deviation; NaN where that is 0
    p_own_spread: float

    @property
    def words(self) -> dict[str, str]:
        """What each score is called."""
        return {name: str(statistics.score_words(value, en=name == "E_n")) for name, value in self.scores.items()}

    @property
    def score(self) -> float:
        """z or z′."""
        return next(iter(self.scores.values()))


@dataclass(frozen=True)
class Rounds:
    """The rounds of a file in their order, and those of each quantity together."""

    rounds: tuple[ScoredRound, ...]
    together: dict[str, statistics.ScoresTogether]


def report_proficiency(file: Path) -> Study:
    """Put together what rounds of proficiency tests say, from a CSV file.

    file : A row a round, in their order: scheme, round, quantity, own (value); assigned (value); sigma, the standard
        deviation for assessment; U_assigned and U_own, expanded (k = 2); participants, the results of all with blanks
        between, own among them; s_own from n_own results, the own long-term standard deviation; unit. Needed are the
        first four, and something to score by. date, such as 2026-03-14, puts a round into a month.
    Raises StudyError : A column or value that isn't what was expected, by line.
    """
    read, rounds = _read(file)
    found = Rounds(rounds, _together(rounds))
    rank, findings = reading.ranked([*_single(rounds), *_steady(found.together)])
    called = sum("action" in one.words.values() for one in rounds)
    count = f"{called} of {counted(len(rounds), 'round')} with a score that calls for action"
    reason = "; ".join([count, *dict.fromkeys(one.about for one in findings)][:3])
    facts = {"Rounds": str(len(rounds)), "Quantities": first_of(one.quantity for one in rounds)}
    tables = (_scores_table(rounds), _together_table(found.together), *_robust_table(rounds))
    return Study("Proficiency rounds", read, facts, rank, DUPLICATE_VERDICTS[rank], reason, findings, tables, found)


def rounds_between(file: Path, first: date, last: date) -> tuple[int, tuple[Finding, ...]]:
    """Return how many rounds lie between two days, and what they call for, beside those of their quantities before;
    raise StudyError as ``report_proficiency``, and where a round has no date."""
    read, rounds = _read(file)
    for place, one in zip(read.rows.index, rounds, strict=True):
        if one.day is None:
            raise read.refused(place, "date is empty: a day such as 2026-03-14 was expected")
    now = tuple(one for one in rounds if one.day and first <= one.day < last)
    known = [one for one in rounds if one.day and one.day < last and one.quantity in {new.quantity for new in now}]
    return len(now), (*_single(now), *_steady(_together(known)))


def _read(file: Path) -> tuple[StudyFile, tuple[ScoredRound, ...]]:
    read = reading.read_study(file, _COLUMNS, ("scheme", "round", "quantity", "own"))
    return read, tuple(_scored(read, place) for place in read.rows.index)


def _together(rounds: Iterable[ScoredRound]) -> dict[str, statistics.ScoresTogether]:
    of: dict[str, list[float]] = {}
    for one in rounds:
        if math.isfinite(one.score):
            of.setdefault(one.quantity, []).append(one.score)
    return {quantity: statistics.scores_together(scores) for quantity, scores in of.items()}


def _scored(read: StudyFile, place: int) -> ScoredRound:
    row = read.rows.loc[place].to_dict()
    own, assigned, sigma = (float(row[name]) for name in ("own", "assigned", "sigma"))
    u_own, u_assigned = (float(row[name]) / 2.0 for name in ("U_own", "U_assigned"))
    everybody, from_results = _participants(read, place), math.isnan(assigned)
    try:
        day = date.fromisoformat(row["date"]) if row["date"] else None
    except ValueError:
        raise read.refused(place, f"date '{row['date']}': a day such as 2026-03-14 was expected") from None
    nothing = not math.isfinite(sigma) and not math.isfinite(u_own + u_assigned)
    if not everybody.size and (from_results or nothing):
        expected = "assigned with sigma or with U_own and U_assigned, or participants"
        raise read.refused(place, f"nothing to score by: {expected} was expected")
    both = {"Algorithm A": statistics.algorithm_a, "Q/Hampel": statistics.q_hampel}
    try:
        robust = {name: estimate(everybody) for name, estimate in both.items() if everybody.size}
        found = statistics.proficiency_round(
            everybody if everybody.size else [own],
            assigned=None if from_results else assigned,
            deviation=None if math.isnan(sigma) and everybody.size else sigma,
            assigned_uncertainty=math.nan if from_results else u_assigned,
        )
    except ValueError as wrong:
        raise read.refused(place, f"participants: {wrong}") from None
    scores = {str(found.score): float(found.scores[np.argmax(everybody == own) if everybody.size else 0])}
    if not from_results and math.isfinite(u_own + u_assigned):
        scores["ζ"] = float(statistics.zeta_score(own, assigned, u_own, u_assigned))
        scores["E_n"] = float(statistics.en_score(own, assigned, 2.0 * u_own, 2.0 * u_assigned))
    of_all = float(robust["Q/Hampel"].deviation) if robust else 0.0
    spread = float(row["s_own"]) / of_all if of_all > 0.0 else math.nan
    p = _p_larger(spread, float(row["n_own"]) - 1.0, _SURENESS_OF_Q * (everybody.size - 1.0))
    name, quantity = f"{row['scheme']}, {row['round']}", ", ".join(filter(None, (row["quantity"], row["unit"])))
    scored = own, float(found.assigned), float(found.deviation), scores, str(found.reason)
    return ScoredRound(name, day, quantity, *scored, everybody, robust, from_results, spread, p)


def _participants(read: StudyFile, place: int) -> Array:
    row = read.rows.loc[place].to_dict()
    numbers = [reading.taken(one, reading.NUMBER, comma=True) for one in row["participants"].split()]
    if None in numbers:
        raise read.refused(place, f"participants '{row['participants']}': numbers with blanks between were expected")
    found = np.array(numbers, dtype=float)
    if found.size and row["own"] not in found:
        raise read.refused(place, f"own {row['own']:g} is not among the results of the participants")
    return found


def _p_larger(ratio: float, own: float, others: float) -> float:
    """Return p of an F test that a standard deviation isn't larger than another, by their degrees of freedom."""
    return float(fdtrc(own, others, ratio**2)) if own >= 1.0 and math.isfinite(ratio) else math.nan


def _single(rounds: tuple[ScoredRound, ...]) -> Iterator[Finding]:
    for one in rounds:
        about = f"{one.quantity}, {one.name}"
        numbers = f"own {numeral(one.own, figures=5)}, assigned {numeral(one.assigned, figures=5)}"
        poor = {name: word for name, word in one.words.items() if word in ("warning", "action")}
        of_claim = {name: poor.pop(name) for name in ("ζ", "E_n") if name in poor}
        for to_do, some in ((_CAUSE, poor), (_CLAIM, of_claim)):
            if some:
                found = "; ".join(f"{name} {signed(one.scores[name], 2)}, {word}" for name, word in some.items())
                yield 1 + ("action" in some.values()), about, f"{found} ({numbers})", to_do
        if one.p_own_spread < 0.01:
            found = f"own results scatter {numeral(one.own_spread)} times as much as laboratories among each other"
            yield 1, about, f"{found}, {p_value(one.p_own_spread)}", _SCATTER


def _steady(together: dict[str, statistics.ScoresTogether]) -> Iterator[Finding]:
    for quantity, one in together.items():
        number = counted(len(one.scores), "round")
        if len(one.scores) > 1 and one.steady_bias:
            bias = f"mean z {signed(one.mean, 2)} of {number}, RSZ {signed(one.rescaled_sum, 2)}"
            yield 2, quantity, f"steady bias: {bias}", _BIAS
        elif len(one.scores) > 1 and one.p_sum_of_squares < 0.01:
            found = f"scores scatter too much: SSZ {numeral(one.sum_of_squares, 1)} of {number}"
            yield 1, quantity, f"{found}, {p_value(one.p_sum_of_squares)}", _SCATTER


def _scores_table(rounds: tuple[ScoredRound, ...]) -> StudyTable:
    def row(one: ScoredRound) -> tuple[str, ...]:
        told = "; ".join(f"{name} {signed(value, 2)}: {one.words[name]}" for name, value in one.scores.items())
        values = (numeral(value, figures=5) for value in (one.own, one.assigned))
        return f"{one.quantity}, {one.name}", *values, numeral(one.sigma, figures=3), told

    notes = [reading.NOTES["scores"]]
    if unknown := [one for one in rounds if "isn't known" in one.reason]:
        notes.append(f"z, although {unknown[0].reason} (U_assigned): {first_of(one.name for one in unknown)}.")
    few = [one.name for one in rounds if one.from_results and one.participants.size < _FEW]
    if few:
        notes.append(f"Fewer than {_FEW} laboratories: σ_pt from their results is itself unsure ({first_of(few)}).")
    columns = ("Quantity, round", "Own", "Assigned", "σ_pt", "Scores")
    return StudyTable("Round by round", columns, tuple(map(row, rounds)), tuple(notes))


def _together_table(together: dict[str, statistics.ScoresTogether]) -> StudyTable:
    def row(quantity: str, one: statistics.ScoresTogether) -> tuple[str, ...]:
        average = f"{signed(float(one.ewma[-1]), 2)} (±{numeral(float(one.ewma_limits[-1]), 2)})"
        squares = f"{numeral(one.sum_of_squares, 1)} ({p_value(one.p_sum_of_squares)})"
        bias = "–" if math.isnan(one.p_bias) else p_value(one.p_bias)
        return quantity, str(len(one.scores)), signed(one.mean, 2), signed(one.rescaled_sum, 2), squares, average, bias

    columns = ("Quantity", "Rounds", "Mean z", "RSZ", "SSZ", "EWMA (3 s)", "Bias")
    rows = tuple(row(*one) for one in together.items())
    return StudyTable("Rounds together", columns, rows, (reading.NOTES["together"],))


def _robust_table(rounds: tuple[ScoredRound, ...]) -> Iterator[StudyTable]:
    def row(one: ScoredRound) -> tuple[str, ...]:
        found = [float(value) for by in one.robust.values() for value in (by.mean, by.deviation)]
        values = (numeral(value, figures=4) for value in found)
        return f"{one.quantity}, {one.name}", str(one.participants.size), *values

    if rows := tuple(row(one) for one in rounds if one.robust):
        columns = ("Quantity, round", "p", "x*, Algorithm A", "s*", "x*, Q/Hampel", "s*")
        yield StudyTable("Robust mean and spread of all participants", columns, rows, (reading.NOTES["robust"],))
