"""What a laboratory says about an export that does not say it itself."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field

DATE_ORDERS = ("day-month-year", "month-day-year", "year-month-day")
BLANKS = ("blanks", "two blanks")
LAYOUTS = ("rows", "blocks", "turned", "quantities")
MOMENT_PARTS = ("year", "month", "day", "hour", "minute", "second")
FOR_ALL_ROWS = (  # what a line above the header, the head of a section or the file's name may say
    "sample", "product", "lot", "role", "measured_at", "date", "time", "start", "instrument", "operator", "run",
    "temperature", "remark",
)  # fmt: skip


@dataclass(frozen=True)
class Column:
    """What a column of an export holds: tidy column or quantity, unit, and temperature if it is for one."""

    holds: str
    """A text column of the tidy table (``sample``, ``lot``, ...), ``measured_at``, ``date``, ``time``, ``replicate``,
    ``temperature`` (as read), ``set temperature``, ``kinematic viscosity``, ``dynamic viscosity``, ``density``, or
    ``ignored``. A moment in parts: ``year``, ``month``, ``day``, ``hour``, ``minute``, ``second``; or ``elapsed``
    since the ``start``, in s, min or h. With a row a quantity: ``quantity``, ``value``, ``unit``. Of a line above the
    header also ``start``."""
    unit: str | None = None  # where it is None, that of the header, of the line of units, or of the cells
    temperature_C: float | None = None
    repeat: int = 0  # which of several columns of one quantity side by side: 1, 2, ...; a row of the tidy table each


@dataclass(frozen=True, kw_only=True)
class Arrangement:
    """How the lines and cells of an export are arranged; by default a header above rows."""

    layout: str = "rows"
    """``rows``: a row a sample or determination. ``blocks``: lines of key and value, a run a block; blocks are divided
    by blank lines, rules, or the first key when it comes again. ``turned``: quantities down, samples across.
    ``quantities``: a row a quantity; rows that agree in all other columns are one determination."""
    delimiter: str | None = None  # one character; ``blanks``: any run; ``two blanks``: two or more, texts may hold one
    widths: tuple[int, ...] = ()  # widths of the columns in characters, where nothing divides them
    header_rows: int = 1
    """Lines of the header. In all but the last, a text spans the columns to its right up to the next text; texts above
    each other are joined by a blank. 0: there is no header, columns are named by their place."""
    units_row: int | None = None
    """Where the line of units stands: 1 right beneath the header, 2 one further down, -1 right above. In a ``turned``
    table: 1 right beside the quantities' names."""
    block_start: str | None = None  # the key that begins a block; then nothing else does
    sections: tuple[str, ...] = ()
    """What a line that stands alone may say of the lines beneath it until the next: ``temperature`` ('40 °C'),
    ``sample`` ('Sample: X' or 'X'), ...; from the outer to the inner: a new outer one ends the inner ones."""
    set_aside: tuple[str, ...] = ()  # a line with a cell like one of these is no row, ``*`` being any text: 'Mean*'
    as_above: tuple[str, ...] = ()  # columns, by what they hold, whose blank cells say what the row above says
    columns: Mapping[str, Column] = field(default_factory=dict)
    """Header, key or parameter as the export writes it → what it holds. A name with ``*`` stands for several columns,
    repeats of one quantity from left to right. 'column 3', 'column C' and 'columns C to E' go by place, unless a header
    reads so."""


@dataclass(frozen=True)
class Profile(Arrangement):
    """How to read exports whose file names match one of the patterns; what is None is found out from the file."""

    name: str
    files: tuple[str, ...]  # Shell-style patterns on the file name, without folder, case ignored
    encoding: str | None = None
    decimal: str | None = None
    thousands: str | None = None  # the sign between groups of three digits
    date_order: str | None = None  # which comes first in a date that reads two ways
    missing: tuple[str, ...] = ()  # what stands in a cell that has no value: 'n.d.', '--'
    sheet: tuple[str, ...] = ()  # sheets of a workbook to read, in turn; without, the only visible one with results
    from_name: str | None = None  # what the file's name says: '{instrument}_{date}'; '{ignored}' is any text
    start: datetime.datetime | None = None  # when elapsed time began; else a line above or the file's name says it
    instrument: str | None = None  # this and the following hold for all rows of a file that says nothing else itself
    operator: str | None = None
    product: str | None = None
    temperature_C: float | None = None
    date: datetime.date | None = None
