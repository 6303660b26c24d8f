"""The list of runs that a person picks from: found by what is typed, newest first, with verdicts as they get known."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from typing import Any

import pandas as pd

from labcalc.judgement import VERDICTS, Material, judge

LISTED = 200  # how many runs a list shows at most; more is no longer read but searched
_LOOKED_AT = 60  # among how many of the newest runs a problem is looked for


@dataclass(frozen=True)
class RunEntry:
    """What a person knows a run by."""

    run: str
    sample: str
    product: str
    instrument: str
    measured: str  # day and hour; empty where the export gives none
    lot: str

    @property
    def label(self) -> str:
        """One line of the list."""
        return " · ".join(filter(None, (self.sample, self.measured, self.instrument, self.product)))

    @cached_property
    def words(self) -> str:
        """What typed words are looked for in."""
        return " ".join((self.sample, self.product, self.instrument, self.measured, self.lot, self.run)).casefold()


@dataclass(frozen=True)
class Found:
    """The runs that fit what was typed."""

    entries: tuple[RunEntry, ...]  # the newest of them, ``LISTED`` at most
    fitting: int  # how many fit, [-]
    of: int  # how many there are, [-]
    judged: int  # of how many the verdict is known so far, [-]

    @property
    def sentence(self) -> str:
        """How many fit, in words."""
        listed = f"; the newest {len(self.entries)} are listed" if self.fitting > len(self.entries) else ""
        waiting = f" Verdicts known of {self.judged} so far." if self.judged < self.of else ""
        return f"{self.fitting} of {self.of} runs{listed}.{waiting}"


def run_entries(material: Material) -> tuple[RunEntry, ...]:
    """Return the runs at hand, the newest first; a run without a time comes last."""
    first = material.reading.table.drop_duplicates("run").sort_values("measured_at", ascending=False, kind="stable")
    columns = [first[name] for name in ("run", "sample", "product", "instrument", "measured_at", "lot")]
    entries = []
    for run, sample, product, instrument, at, lot in zip(*columns, strict=True):
        when = "" if pd.isna(at) else f"{at:%Y-%m-%d %H:%M}"
        entries.append(RunEntry(str(run), _text(sample), _text(product), _text(instrument), when, _text(lot)))
    return tuple(entries)


def matching_runs(entries: Sequence[RunEntry], typed: str, verdicts: Mapping[str, str]) -> Found:
    """Return the runs in which every typed word is found; a verdict written out finds the runs that have it.

    entries : All runs, in the order of the list.
    typed : Words of sample, product, instrument, day, lot or verdict, in any order.
    verdicts : Run to verdict, as far as known.
    """
    text = " ".join(typed.casefold().split())
    wanted = next((one for one in sorted(VERDICTS, key=len, reverse=True) if one in text), "")
    words = text.replace(wanted, " ").split() if wanted else text.split()
    fitting = [one for one in entries if _fits(one, words, wanted, verdicts.get(one.run, ""))]
    return Found(tuple(fitting[:LISTED]), len(fitting), len(entries), sum(one.run in verdicts for one in entries))


def _fits(entry: RunEntry, words: Sequence[str], wanted: str, verdict: str) -> bool:
    if wanted and verdict != wanted:
        return False
    text = f"{entry.words} {verdict}"
    return all(word in text for word in words)


def verdict_of(material: Material, run: str) -> str:
    """Return the verdict on a run."""
    return judge(material.dossier(run)).verdict


def first_problem(material: Material) -> str:
    """Return the newest sample that is not releasable, else that needs a second look, else the newest of all."""
    samples = list(islice(_samples(material), _LOOKED_AT))
    seen: dict[str, str] = {}
    for run in samples:
        verdict = verdict_of(material, run)
        if verdict == VERDICTS[2]:
            return run
        seen.setdefault(verdict, run)
    return seen.get(VERDICTS[1]) or next(iter(samples), run_entries(material)[0].run)


def _samples(material: Material) -> Iterator[str]:
    references = set(material.reading.table.loc[material.reading.table["role"] == "reference", "run"])
    return (one.run for one in run_entries(material) if one.run not in references)


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value)
