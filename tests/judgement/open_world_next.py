"""What the next measurement shows in the open world, what it gains, and what an ideal observer would gain by it.

The ideal observer knows the true physics and how often each fault is drawn. It weighs draws of every fault by the run
and the new rows together, and takes the measurement after which it expects to be right most often.

``python -m tests.judgement.open_world_next --ideal`` prints both.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from labcalc.judgement.causes import Evidence, with_measurement
from labcalc.judgement.causes.evidence import assembled
from labcalc.judgement.causes.next_measurement import Discrimination
from labcalc.judgement.causes.ranking import weigh
from tests.judgement.open_world import (
    OFTEN,
    REFERENCES,
    TELLS,
    TRUTHS,
    Bench,
    Told,
    Values,
    _by_reference_oils,
    decimals,
    digits,
    dynamic_for_kinematic,
    laboratory,
    shown,
    told,
)

Array = NDArray[np.float64]
Rows = tuple[tuple[str, float], ...]
"""Quantities and temperatures [°C] of one fill."""

VISCOSITY = "kinematic viscosity"
IN_BOTTLE = frozenset(
    ("fuel", "water", "swap", "oxidised", "evaporated", "sheared", "blend", "light ends", "wax", "stranger", "coolant",
     "sediment", "two")
)  # fmt: skip
OF_INSTRUMENT = frozenset(("bias", "constant"))
SLIPS = frozenset(("decimals", "digits", "unit", "rows", "fahrenheit"))


def replayed(
    state: Mapping[str, object], bench: Bench, truth: str, temperatures: Sequence[float], fills: int
) -> Values:
    """Return what the fault does with these temperatures and fills: sizes are drawn before places, and stay."""
    kept = dict(vars(bench))
    bench.temperatures, bench.fills, bench.only = tuple(temperatures), fills, frozenset(("fuel", "wet"))
    bench.places = [(fill, T) for fill in range(1, fills + 1) for T in temperatures]
    rng = np.random.default_rng()
    rng.bit_generator.state = state
    try:
        return TRUTHS[truth].fault(bench, rng)
    finally:
        vars(bench).clear()
        vars(bench).update(kept)


def shows_next(state: Mapping[str, object], bench: Bench, truth: str, values: Values, kind: str, rows: Rows) -> Array:
    """Return ln ν and ρ of new rows without noise, the bench as the fault left it; what was in the cell is gone."""
    places = [(0 if quantity == VISCOSITY else 1, T) for quantity, T in rows]
    if kind == "reference oil":
        return np.array([_of_oil(bench, number, T) for number, T in places])
    if kind == "same fill again":
        source = bench.clean() if truth in SLIPS else values
        return np.array([_logged(number, source[bench.fills, _own(bench, T)][number]) for number, T in places])
    at = sorted({*bench.temperatures, *(_own(bench, T) for _, T in places)})
    fill, source = 1, {(1, T): [bench.batch.viscosity(T), bench.batch.density(T)] for T in at}
    if (truth in IN_BOTTLE and kind != "retained sample") or (truth in OF_INSTRUMENT and kind != "another instrument"):
        fill = 1 if truth == "light ends" else bench.fills + 1
        source = replayed(state, bench, truth, at, bench.fills + 1)
    found = []
    for number, T in places:
        warmer = 0.0 if kind == "another instrument" else bench.lasting[number].get(_own(bench, T), 0.0)
        clean, off = ((bench.batch.viscosity, bench.batch.density)[number](T + dT) for dT in (0.0, warmer))
        value = source[fill, _own(bench, T)][number]
        found.append(_logged(number, value * off / clean if number == 0 else value + off - clean))
    return np.array(found)


def _own(bench: Bench, T: float) -> float:
    return next((known for known in bench.temperatures if abs(known - T) < 0.2), T)


def _logged(number: int, value: float) -> float:
    return math.log(value) if number == 0 else value


def nearest(bench: Bench) -> str:
    """Return the name of the reference oil nearest in viscosity at the run's coldest temperature."""
    T = bench.temperatures[0]
    own = bench.kind.oil.viscosity(T)
    return min(REFERENCES, key=lambda one: abs(math.log(one[1].viscosity(T) / own)))[0]


def _of_oil(bench: Bench, number: int, T: float) -> float:
    oil = dict(REFERENCES)[nearest(bench)]
    value = (oil.viscosity, oil.density)[number](T + bench.lasting[number].get(T, 0.0))
    return _logged(number, value) + bench.bias[number]


def noise_of(bench: Bench, rows: Rows) -> Array:
    thick, heavy = bench.noise[0] * bench.kind.scatter, bench.noise[1]
    return np.array([thick if quantity == VISCOSITY else heavy for quantity, _ in rows])


# --- What the package gains ---


def gained(one: Told, rng: np.random.Generator) -> tuple[float, float, float, str] | None:
    """Return what the proposed measurement says it gains, what the truth gains by it, what it had, and its kind."""
    weighed = weigh(one.evidence)
    choice = Discrimination(weighed).best
    now = sum(p for cause, p in weighed.probabilities.items() if cause in one.case.right)
    if choice is None:
        return None
    case, bench, kind, right = one.case, one.case.bench, choice.kind, one.case.right
    if kind == "original record":
        right = right | ({"noise"} if "slip" in right else set())  # a slip put right is one found
        after = _record_read(one, rng)
    else:
        new = shows_next(case.state, bench, case.truth, case.values, kind, choice.rows)
        new += noise_of(bench, choice.rows) * rng.standard_t(5, new.size)
        after = one.evidence
        for (quantity, T), value in zip(choice.rows, new.tolist(), strict=True):
            after = with_measurement(after, quantity, T, math.exp(value) if quantity == VISCOSITY else value, kind)
    then = sum(p for cause, p in weigh(after).probabilities.items() if cause in right)
    return choice.gain, then - now, now, kind


def _record_read(one: Told, rng: np.random.Generator) -> Evidence:
    """Return the run as its original page has it: every value as it was, or as it ought to stand there."""
    rows, case = [], one.case
    right = shown(case.bench, case.bench.clean(), rng) if "slip" in case.right else case.printed
    for row in one.evidence.rows:
        value = right[row.replicate, _own(case.bench, row.temperature_C)][0 if row.quantity == VISCOSITY else 1]
        rows.append(replace(row, measured=value, kind="original record"))
    return assembled(rows, one.evidence)


def asked(found: Sequence[Told]) -> list[Told]:
    """Return what is open: held back, with no cause of 95 % or more."""
    return [o for o in found if o.held and o.case.truth != "clean" and o.probabilities[o.leading] < 0.95]


def gains(found: Sequence[Told], seed: int = 11) -> Array:
    """Return stated and true gains of the open ones for which something is proposed."""
    rng = np.random.default_rng(seed)
    made = (gained(one, rng) for one in asked(found))
    return np.array([one[:2] for one in made if one is not None])


# --- What an ideal observer gains ---

DRAWS, OUTCOMES = 100, 32


@dataclass(frozen=True, eq=False)
class Draws:
    """Draws of every fault: what each does to the run, and what each kind of measurement would then show."""

    name: NDArray[np.object_]
    log_weight: Array
    run: Array
    next: dict[str, Array]


def menu(bench: Bench, full: bool) -> dict[str, Rows]:
    """Return what can be measured: the run's own places, or with ``full`` whole fills at both temperatures."""
    seen = bench.seen
    n = len(bench.places)
    own = [(VISCOSITY, T) for (f, T), known in zip(bench.places, seen[:n], strict=True) if f == 1 and known]
    own += [("density", T) for (f, T), known in zip(bench.places, seen[n:], strict=True) if f == 1 and known]
    whole = own
    if full:
        usual = (50.0, 100.0) if bench.kind.code == "RM" else (15.0, 40.0) if bench.kind.code == "GO" else (40.0, 100.0)
        at = sorted({*bench.temperatures, *usual})
        whole = [(VISCOSITY, T) for T in at if T > 15.0] + [("density", T) for T in at]
    found = {kind: tuple(whole) for kind in ("refill and repeat", "another instrument", "retained sample")}
    found["same fill again"] = tuple(own)
    oil = tuple((q, T) for q, T in whole if T in (40.0, 100.0))
    return found | ({"reference oil": oil} if oil and bench.referenced else {})


def drawn_for(one: Told, kinds: Mapping[str, Rows], rng: np.random.Generator) -> Draws:
    """Draw every fault that the case's bench can have."""
    case, bench = one.case, one.case.bench
    seen, clean, kept = bench.seen, bench.vector(bench.clean()), dict(vars(bench))
    names, logs, run, after = [], [], [], {kind: [] for kind in kinds}
    for name, truth in TRUTHS.items():
        if truth.more_fills and bench.fills < 2:
            continue
        if truth.fault in (decimals, digits, dynamic_for_kinematic) and not bench.typed:
            continue
        said = _by_reference_oils(case, name) + math.log(OFTEN.get(name, 1) / DRAWS)
        for _ in range(DRAWS):
            vars(bench).update(kept)
            bench.lasting, bench.bias = ({}, {}), bench.bias if name == "bias" else (0.0, 0.0)
            state = rng.bit_generator.state
            values = truth.fault(bench, rng)
            names.append(name)
            logs.append(said)
            run.append((bench.vector(values) - clean)[seen])
            for kind, rows in kinds.items():
                after[kind].append(shows_next(state, bench, name, values, kind, rows))
    vars(bench).clear()
    vars(bench).update(kept)
    return Draws(
        np.array(names, dtype=object), np.array(logs), np.array(run), {k: np.array(v) for k, v in after.items()}
    )


class Ideal:
    """The observer before and after a measurement."""

    def __init__(self, one: Told, full: bool, rng: np.random.Generator) -> None:
        self.one, self.rng, bench = one, rng, one.case.bench
        self.kinds = menu(bench, full)
        self.draws = drawn_for(one, self.kinds, rng)
        seen = bench.seen
        self.found = (bench.vector(one.case.printed) - bench.vector(bench.clean()))[seen]
        self.right = np.array([bool(TRUTHS[n].right & TRUTHS[one.case.truth].right) for n in self.draws.name])
        self.group = np.unique([" ".join(sorted(TRUTHS[n].right)) for n in self.draws.name], return_inverse=True)[1]
        self.now = self._posterior("", self.found[np.newaxis])[0]

    def _factors(self, kind: str) -> tuple[Array, Array, Array]:
        """Return the means of old and new rows, the inverse factors of their covariance, and ln of their scale."""
        bench, rows = self.one.case.bench, self.kinds.get(kind, ())
        seen, n = bench.seen, len(bench.places)
        viscous = np.concatenate([np.arange(2 * n)[seen] < n, [q == VISCOSITY for q, _ in rows]]).astype(bool)
        at = np.concatenate([np.tile([T for _, T in bench.places], 2)[seen], [T for _, T in rows]])
        thick, heavy = bench.kind.spread, bench.kind.spread_density
        if bench.history:
            thick, heavy = min(thick, 0.003), min(heavy, 0.08)
        sample = np.arange(at.size) < (self.found.size if kind == "reference oil" else at.size)
        same = viscous[:, None] == viscous
        C = np.where(same & sample[:, None] & sample, np.where(viscous, thick, heavy) ** 2, 0.0)
        C *= np.where(viscous[:, None] & (at[:, None] != at), 0.95, 1.0)
        C += np.diag(1.5**2 * np.where(viscous, bench.noise[0] * bench.kind.scatter, bench.noise[1]) ** 2)
        clean = np.array([])
        if rows and kind == "reference oil":
            clean = np.array([_clean_oil(bench, q, T) for q, T in rows])
        elif rows:
            oil = bench.batch
            clean = np.array([math.log(oil.viscosity(T)) if q == VISCOSITY else oil.density(T) for q, T in rows])
        effects = np.hstack([self.draws.run, self.draws.next[kind] - clean]) if rows else self.draws.run
        blur = 0.25**2 * effects[:, :, None] * effects[:, None, :]
        blur += np.eye(at.size) * 0.02 * effects[:, :, None] ** 2
        factor = np.linalg.cholesky(C + blur)
        half = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
        return effects, np.linalg.inv(factor), half

    def _posterior(self, kind: str, outcomes: Array) -> Array:
        """Return the weight of each draw for each outcome, deviations of old and new rows: outcome by draw."""
        if kind not in self.__dict__:
            self.__dict__[kind] = self._factors(kind)
        effects, inverse, half = self.__dict__[kind]
        away = outcomes[:, None] - effects
        white = np.einsum("kij,okj->oki", inverse, away)
        log = self.draws.log_weight - half - 0.5 * (5.0 + away.shape[2]) * np.log1p((white**2).sum(axis=2) / 5.0)
        weight = np.exp(log - log.max(axis=1, keepdims=True))
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))

    def expected(self, kind: str) -> float:
        """Return how often the likeliest group would be right afterwards, by outcomes drawn as the observer expects."""
        chosen = self.rng.choice(self.now.size, OUTCOMES, p=self.now)
        self._posterior(kind, np.zeros((1, self.found.size + len(self.kinds[kind]))))
        effects = self.__dict__[kind][0][chosen, self.found.size :]
        noise = noise_of(self.one.case.bench, self.kinds[kind])
        new = effects + noise * self.rng.standard_t(5, effects.shape)
        after = self._posterior(kind, np.hstack([np.tile(self.found, (OUTCOMES, 1)), new]))
        by_group = np.stack([after[:, self.group == g].sum(axis=1) for g in np.unique(self.group)], axis=1)
        return float(by_group.max(axis=1).mean())

    def after(self, kind: str) -> float:
        """Return the probability of the truth once the true outcome is seen."""
        case, bench, rows = self.one.case, self.one.case.bench, self.kinds[kind]
        shown = shows_next(case.state, bench, case.truth, case.values, kind, rows)
        if kind == "reference oil":
            clean = np.array([_clean_oil(bench, q, T) for q, T in rows])
        else:
            oil = bench.batch
            clean = np.array([math.log(oil.viscosity(T)) if q == VISCOSITY else oil.density(T) for q, T in rows])
        new = shown - clean + noise_of(bench, rows) * self.rng.standard_t(5, shown.size)
        return float(self._posterior(kind, np.concatenate([self.found, new])[np.newaxis])[0][self.right].sum())

    def by_record(self) -> tuple[float, float]:
        """Return what is expected of the original record, and the probability of the truth once it is read."""
        slip = np.array([n in SLIPS for n in self.draws.name])
        share = float(self.now[slip].sum())
        groups = np.array([self.now[(self.group == g) & ~slip].sum() for g in np.unique(self.group)])
        if self.one.case.truth in SLIPS:
            return share + float(groups.max()), 1.0
        rest = 1.0 - share
        return share + float(groups.max()), float(self.now[self.right & ~slip].sum()) / rest if rest > 0.0 else 0.0


def _clean_oil(bench: Bench, quantity: str, T: float) -> float:
    oil = dict(REFERENCES)[nearest(bench)]
    return math.log(oil.viscosity(T)) if quantity == VISCOSITY else oil.density(T)


def ideal_gain(one: Told, full: bool, rng: np.random.Generator) -> tuple[float, float, str]:
    """Return the probability of the truth before and after the measurement that the observer takes, and its kind."""
    ideal = Ideal(one, full, rng)
    record, read = ideal.by_record()
    worth = {kind: ideal.expected(kind) for kind in ideal.kinds} | {"original record": record}
    kind = max(worth, key=lambda one: worth[one])
    then = read if kind == "original record" else ideal.after(kind)
    return float(ideal.now[ideal.right].sum()), then, kind


def main() -> None:
    """Print what the package gains, and with ``--ideal`` what could be gained."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=400, metavar="N", help="cases of a laboratory; default 400")
    parser.add_argument("--laboratories", type=int, default=1, metavar="N", help="laboratories; default 1")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--ideal", action="store_true", help="what an ideal observer gains, too")
    args = parser.parse_args()
    found = []
    for seed in range(args.seed, args.seed + args.laboratories):
        found += told(*laboratory(args.cases, seed))
    report(found, ideal=args.ideal)


def report(found: Sequence[Told], *, ideal: bool) -> None:
    """Print all figures."""
    open_ones, rng = asked(found), np.random.default_rng(11)
    every = [gained(one, rng) for one in open_ones]
    made = [one for one in every if one is not None]
    stated, true, now = (np.array([one[i] for one in made]) for i in range(3))
    print(f"{len(open_ones)} open, something proposed for {len(made)}; probability of the truth now {now.mean():.2f}")
    print(f"gain stated {stated.mean():+.2f}, found {true.mean():+.2f} ± {true.std() / math.sqrt(true.size):.2f}")
    for kind in sorted({one[3] for one in made}):
        here = np.array([one[3] == kind for one in made])
        print(f"  {kind:20} {here.sum():4}  now {now[here].mean():.2f}  stated {stated[here].mean():+.2f}  "
              f"found {true[here].mean():+.2f}")  # fmt: skip
    if not ideal:
        return
    for full in (False, True):
        best = [ideal_gain(one, full, rng) for one in open_ones]
        before, after = (np.array([one[i] for one in best]) for i in range(2))
        kinds = {kind: sum(one[2] == kind for one in best) for kind in sorted({one[2] for one in best})}
        words = "whole fills at both temperatures" if full else "the run's own places"
        print(
            f"ideal, {words}: {before.mean():.2f} to {after.mean():.2f}, gain {(after - before).mean():+.2f}; {kinds}"
        )
        which, sure = np.array([one is not None for one in every]), (after >= TELLS).mean()
        print(f"  from the package's now on: {(after[which] - now).mean():+.2f}; tells 90 %: {sure:.0%}")


if __name__ == "__main__":
    main()
