"""Rounds of proficiency tests: each by its scores, all of a quantity together."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labcalc.judgement.duplicates.report import DUPLICATE_VERDICTS
from labcalc.judgement.studies.reading import NUMBER, POSITIVE, TEXT, Study, StudyFile, StudyTable, ranked, read_study
from labcalc.statistics import (
    ScoresTogether,
    algorithm_a,
    en_score,
    proficiency_round,
    q_hampel,
    score_words,
    scores_together,
    zeta_score,
)
from labcalc.statistics.series import Array
from labcalc.wording import counted, decimals_of, first_of, numeral, p_value, signed

_COLUMNS = {
    **dict.fromkeys(("scheme", "round", "quantity", "unit"), TEXT),
    **dict.fromkeys(("own", "assigned"), NUMBER),
    **dict.fromkeys(("sigma", "U_assigned", "U_own", "s_own", "n_own"), POSITIVE),
    "participants": TEXT,
}
"""``participants``: all results of the round, the own one among them, with blanks between; U: expanded, k = 2; ``s_own``:
the laboratory's own long-term standard deviation, from ``n_own`` results."""

_CAUSE = "Find the cause and keep it with the round: transcription, sample, calibration, the control chart of that day."
_CLAIM = "The stated uncertainty is too small for this difference: look through the budget for what is missing."
_BIAS = "Measure a reference oil of another source; look at calibration, temperature and constant."
_SCATTER = "Rounds scatter more than σ_pt: look at long-term precision, and whether σ_pt fits the level."
_FEW = 12  # laboratories below which a robust spread is no firm ground for scores


@dataclass(frozen=True)
class ScoredRound:
    """One round of one quantity, with every score that what is known allows; NaN where it doesn't."""

    name: str
    quantity: str
    own: float
    assigned: float
    sigma: float
    score: str  # z or z′
    scores: dict[str, float]
    participants: Array
    robust: tuple[tuple[str, float, float], ...]  # by which method, x*, s*
    from_results: bool
    spread_ratio: float  # own over the round's
    p_spread: float

    @property
    def words(self) -> dict[str, str]:
        """What each score is called."""
        return {name: str(score_words(value, en=name == "E_n")) for name, value in self.scores.items()}


@dataclass(frozen=True)
class Rounds:
    """The rounds of a file in their order, and those of each quantity together."""

    rounds: tuple[ScoredRound, ...]
    together: dict[str, ScoresTogether]


def report_proficiency(file: Path) -> Study:
    """Put together what rounds of proficiency tests say, from a CSV file.

    file : Columns as in ``_COLUMNS``; scheme, round, quantity and own are needed, and of each row sigma, participants, or
        both U_own and U_assigned.
    Raises StudyError : A column or value that isn't what was expected, by line.
    """
    read = read_study(file, _COLUMNS, ("scheme", "round", "quantity", "own"))
    rounds = tuple(_scored(read, place) for place in range(len(read.rows)))
    of: dict[str, list[float]] = {}
    for one in rounds:
        if math.isfinite(value := one.scores[one.score]):
            of.setdefault(one.quantity, []).append(value)
    together = {quantity: scores_together(scores) for quantity, scores in of.items()}
    rank, findings = ranked([*_single(rounds), *_steady(together), *_own_spread(rounds)])
    called = sum("action" in one.words.values() for one in rounds)
    reason = "; ".join(
        [
            *(f"{one.about}: {one.finding}" for one in findings[:2]),
            f"{called} of {counted(len(rounds), 'round')} with a score that calls for action",
        ]
    )
    facts = {"Rounds": str(len(rounds)), "Quantities": first_of(one.quantity for one in rounds)}
    tables = (_scores_table(rounds), _together_table(together), *_robust_table(rounds))
    return Study(
        "Proficiency rounds",
        read,
        facts,
        rank,
        DUPLICATE_VERDICTS[rank],
        reason,
        findings,
        tables,
        Rounds(rounds, together),
    )


def _scored(read: StudyFile, place: int) -> ScoredRound:
    row = read.rows.iloc[place]
    all_, own = _participants(read, place), float(row["own"])
    assigned, sigma = (float(row[name]) for name in ("assigned", "sigma"))
    u_assigned, u_own = (float(row[name]) / 2.0 for name in ("U_assigned", "U_own"))
    from_results = math.isnan(assigned)
    if from_results and not all_.size:
        raise read.refused(place, "no assigned value: it, or the results of all participants, were expected")
    if math.isnan(sigma) and not all_.size and not math.isfinite(u_own + u_assigned):
        raise read.refused(place, "nothing to score by: sigma, or participants, or U_own and U_assigned were expected")
    given = (None if from_results else assigned, None if math.isnan(sigma) and all_.size else sigma)
    try:
        found = proficiency_round(
            all_ if all_.size else [own],
            assigned=given[0],
            deviation=given[1],
            assigned_uncertainty=math.nan if from_results else u_assigned,
        )
    except ValueError as wrong:
        raise read.refused(place, f"participants: {wrong}") from None
    score, value = str(found.score), float(found.scores[np.flatnonzero(all_ == own)[0] if all_.size else 0])
    known = not from_results and math.isfinite(u_own + u_assigned)
    claims = (zeta_score(own, assigned, u_own, u_assigned), en_score(own, assigned, 2.0 * u_own, 2.0 * u_assigned))
    scores = {score: value} | {
        name: float(one) if known else math.nan for name, one in zip(("ζ", "E_n"), claims, strict=True)
    }
    methods = {"Algorithm A": algorithm_a, "Q/Hampel": q_hampel} if all_.size else {}
    robust = tuple(
        (name, float(one.mean), float(one.deviation)) for name, method in methods.items() for one in (method(all_),)
    )
    name, quantity = f"{row['scheme']}, {row['round']}", f"{row['quantity']}" + f", {row['unit']}" * bool(row["unit"])
    spread = _spread(float(row["s_own"]), float(row["n_own"]), robust[1][2] if robust else math.nan, all_.size)
    return ScoredRound(
        name,
        quantity,
        own,
        float(found.assigned),
        float(found.deviation),
        score,
        scores,
        all_,
        robust,
        from_results,
        *spread,
    )


def _participants(read: StudyFile, place: int) -> Array:
    row = read.rows.iloc[place]
    try:
        found = np.array([float(one.replace(",", ".")) for one in row["participants"].split()])
    except ValueError as wrong:
        raise read.refused(place, f"participants: {wrong}; numbers with blanks between were expected") from None
    if found.size and row["own"] not in found:
        raise read.refused(place, f"own {row['own']:g} is not among the results of the participants")
    return found


def _spread(own: float, number: float, of_round: float, laboratories: int) -> tuple[float, float]:
    """Return the own standard deviation over the round's, and p of an F test that it isn't larger."""
    from scipy.special import fdtrc

    ratio = own / of_round if of_round > 0.0 else math.nan
    return ratio, float(fdtrc(number - 1.0, laboratories - 1.0, ratio**2)) if math.isfinite(
        ratio * number
    ) and number > 1 else math.nan


def _single(rounds: tuple[ScoredRound, ...]) -> Iterator[tuple[int, str, str, str]]:
    for one in rounds:
        words, about = one.words, f"{one.quantity}, {one.name}"
        for name, to_do in ((one.score, _CAUSE), ("ζ", _CLAIM), ("E_n", _CLAIM)):
            if words[name] in ("warning", "action"):
                numbers = f"own {numeral(one.own, figures=6)}, assigned {numeral(one.assigned, figures=6)}"
                yield (
                    1 + (words[name] == "action"),
                    about,
                    f"{name} {signed(one.scores[name], 2)}, {words[name]} ({numbers})",
                    to_do,
                )


def _steady(together: dict[str, ScoresTogether]) -> Iterator[tuple[int, str, str, str]]:
    for quantity, one in together.items():
        number = counted(len(one.scores), "round")
        if len(one.scores) > 1 and one.steady_bias:
            yield (
                2,
                quantity,
                f"steady bias: mean z {signed(one.mean, 2)} of {number}, RSZ {signed(one.rescaled_sum, 2)}",
                _BIAS,
            )
        elif len(one.scores) > 1 and one.p_sum_of_squares < 0.01:
            yield (
                1,
                quantity,
                f"SSZ {numeral(one.sum_of_squares, 1)} of {number}, {p_value(one.p_sum_of_squares)}",
                _SCATTER,
            )


def _own_spread(rounds: tuple[ScoredRound, ...]) -> Iterator[tuple[int, str, str, str]]:
    for one in rounds:
        if one.p_spread < 0.05:
            found = f"own results scatter {numeral(one.spread_ratio)} times as much as laboratories among each other"
            yield 1, f"{one.quantity}, {one.name}", f"{found}, {p_value(one.p_spread)}", _SCATTER


def _scores_table(rounds: tuple[ScoredRound, ...]) -> StudyTable:
    def row(one: ScoredRound) -> tuple[str, ...]:
        decimals = decimals_of(one.sigma) if math.isfinite(one.sigma) else 4
        words = one.words
        return (
            f"{one.quantity}, {one.name}",
            *(numeral(value, decimals) for value in (one.own, one.assigned, one.sigma)),
            f"{one.score} {signed(one.scores[one.score], 2)}: {words[one.score]}",
            *(f"{signed(one.scores[name], 2)}: {words[name]}" for name in ("ζ", "E_n")),
        )

    notes = [
        "z up to 2 acceptable, from 3 on action; E_n up to 1. z′ where the uncertainty of the assigned value is above 0.3 σ_pt. ζ and E_n "
        "ask whether the own stated uncertainty explains the difference; they need U_own and U_assigned, and an assigned value that "
        "doesn't come from the participants."
    ]
    few = [one.name for one in rounds if one.from_results and one.participants.size < _FEW]
    if few:
        notes.append(f"Fewer than {_FEW} laboratories: σ_pt from their results is itself unsure ({first_of(few)}).")
    columns = ("Quantity, round", "Own", "Assigned", "σ_pt", "Score", "ζ", "E_n")
    return StudyTable("Round by round", columns, tuple(map(row, rounds)), tuple(notes))


def _together_table(together: dict[str, ScoresTogether]) -> StudyTable:
    rows = tuple(
        (
            quantity,
            str(len(one.scores)),
            signed(one.mean, 2),
            signed(one.rescaled_sum, 2),
            f"{numeral(one.sum_of_squares, 1)} ({p_value(one.p_sum_of_squares)})",
            f"{signed(float(one.ewma[-1]), 2)} (±{numeral(float(one.ewma_limits[-1]), 2)})",
            "–" if math.isnan(one.p_bias) else p_value(one.p_bias),
        )
        for quantity, one in together.items()
    )
    note = (
        "RSZ and SSZ suppose rounds that are independent and an own scatter of σ_pt. A laboratory that scatters less hides a "
        "bias behind them: the last column goes by the scatter of the scores themselves."
    )
    columns = ("Quantity", "Rounds", "Mean z", "RSZ", "SSZ", "EWMA, last (3 s)", "Bias by own scatter")
    return StudyTable("Rounds together", columns, rows, (note,))


def _robust_table(rounds: tuple[ScoredRound, ...]) -> Iterator[StudyTable]:
    rows = tuple(
        (
            f"{one.quantity}, {one.name}",
            str(one.participants.size),
            method,
            numeral(mean, decimals_of(spread)),
            numeral(spread, figures=3),
        )
        for one in rounds
        for method, mean, spread in one.robust
    )
    if rows:
        note = "Where the two differ much, results lie in two groups or are coarse: look at the picture before either is used."
        yield StudyTable("Robust mean and spread of all participants", ("Round", "p", "By", "x*", "s*"), rows, (note,))
