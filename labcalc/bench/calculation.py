"""A calculation as data: fields, what is made of them, equation, source, a worked example."""

import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

from labcalc.bench.typed import Field, Given
from labcalc.errors import LabcalcError
from labcalc.formulae import edition_of
from labcalc.lessons import Plot


@dataclass(frozen=True)
class Table:
    """A result: cells as they are read, and copied."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    folded: bool = False

    @property
    def copied(self) -> str:
        """The table as a spreadsheet takes it."""
        return "\n".join("\t".join(row).replace("\u2212", "-") for row in (self.columns, *self.rows))


def table(caption: str, columns: Mapping[str, Sequence[str]]) -> Table:
    """Return a table of columns of equal length, by their headings."""
    return Table(caption, tuple(columns), tuple(zip(*columns.values(), strict=True)))


Result: TypeAlias = Table | Plot | str


@dataclass(frozen=True)
class Calculation:
    """A calculation at the bench; ``results`` makes tables, pictures and sentences of what was typed."""

    page: str
    key: str
    title: str
    fields: tuple[Field, ...]
    results: Callable[[Given], Iterator[Result]]
    equation: str
    example: Mapping[str, str]  # what is typed in the worked example
    printed: str  # where that is from, and what it comes to there
    formulae: Sequence[str] = field(default=())
    published: str = ""  # the source, where it isn't that of formulae
    remark: str = ""

    @property
    def source(self) -> str:
        """Standards and editions."""
        return self.published or "; ".join(dict.fromkeys(map(edition_of, self.formulae)))

    @property
    def range(self) -> str:
        """The ranges of what is typed, and where else the calculation holds."""
        told = {one.name: one.usual_range for each in self.fields for one in each.columns}
        return "; ".join([*(f"{name} {words}" for name, words in told.items() if words), *filter(None, [self.remark])])

    @property
    def names(self) -> tuple[str, ...]:
        """The keys under which values and units are typed."""
        return tuple(name for one in self.fields for name in (one.key, *one.symbols()))

    def run(self, typed: Mapping[str, str]) -> tuple[Result, ...]:
        """Return the results; a sentence where something has yet to be typed.

        typed : Texts by key of the field; units under the keys that ``Field.symbols`` tells.
        Raises LabcalcError : What can't be used, in one line.
        """
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                values = {one.key: one.read(typed) for one in self.fields}
                missing = [one.label for one in self.fields if values[one.key] is None and not one.optional]
                if missing:
                    return (f"Still to be typed: {'; '.join(missing)}.",)
                units = {key: unit for one in self.fields for key, unit in one.units(typed).items()}
                results = tuple(self.results(Given(values, units)))
            except ValueError as refusal:
                raise LabcalcError(str(refusal)) from refusal
        return (*results, *(f"Note: {words}." for words in dict.fromkeys(str(one.message) for one in caught)))
