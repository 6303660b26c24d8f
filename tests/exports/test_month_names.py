"""Dates with the name of a month in nine languages; the names, written from memory, are those of everyday use."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from labcalc.errors import ExportError
from labcalc.exports.values.dates import parse_day, parse_moment
from tests.exports.conftest import Read, without_hint

NAMES = {
    "en": "January February March April May June July August September October November December",
    "de": "Januar Februar März April Mai Juni Juli August September Oktober November Dezember",
    "fr": "janvier février mars avril mai juin juillet août septembre octobre novembre décembre",
    "es": "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
    "it": "gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre novembre dicembre",
    "pt": "janeiro fevereiro março abril maio junho julho agosto setembro outubro novembro dezembro",
    "nl": "januari februari maart april mei juni juli augustus september oktober november december",
    "sv": "januari februari mars april maj juni juli augusti september oktober november december",
    "pl": "stycznia lutego marca kwietnia maja czerwca lipca sierpnia września października listopada grudnia",
}
SHORT = (
    "jan gen ene janv sty", "feb fév fev févr lut", "mar mär mrz mrt mars", "apr abr avr kwi", "may mai maj mei mag",
    "jun juin giu cze", "jul juil lug lip", "aug ago août aou sie", "sep set sept wrz", "oct okt out ott paź",
    "nov lis", "dec dez dic déc gru",
)  # fmt: skip


@pytest.mark.parametrize("language", NAMES)
def test_names_of_months(language: str) -> None:
    for month, name in enumerate(NAMES[language].split(), 1):
        for text in (f"3 {name} 2026", f"3. {name.upper()} 2026", f"{name} 3, 2026", f"2026-{name}-03"):
            assert parse_day(text, None) == date(2026, month, 3), text


@pytest.mark.parametrize("month", range(1, 13))
def test_short_names_of_months(month: int) -> None:
    for name in SHORT[month - 1].split():
        assert parse_day(f"14-{name}-2026", None) == date(2026, month, 14), name
        assert parse_day(f"14 {name.title()}. 2026", None) == date(2026, month, 14), name


@pytest.mark.parametrize(
    "text",
    ["12 mars 2026", "12 de marzo de 2026", "12 marzo del 2026", "12. März 2026", "12th March 2026", "le 12 mars 2026"],
)
def test_dates_as_they_are_written(text: str) -> None:
    assert parse_day(text, None) == date(2026, 3, 12)


@pytest.mark.parametrize(
    "text", ["12 jui 2026", "12 ma 2026", "12 Marble 2026", "31 avril 2026", "0 mars 2026", "12 mars 20260"]
)
def test_what_is_no_date(text: str) -> None:
    assert parse_day(text, None) is None


def test_the_basic_format_of_moments() -> None:
    """ISO 8601-1, 5.4.2: 19850412T101530Z, the standard's own example (memory)."""
    assert parse_moment("19850412T101530Z", "", None) == datetime(1985, 4, 12, 10, 15, 30, tzinfo=UTC)
    assert parse_moment("19850412T1015301", "", None) is None


def test_a_year_of_two_figures_needs_the_profile(read: Read) -> None:
    text = "Sample;Date;T (°C);KV (cSt)\nA;14-Okt-26;40;9.1\n"
    with pytest.raises(ExportError) as refusal:
        read(text)
    assert without_hint(refusal.value) == (
        "x.csv: column 'Date': '14-Okt-26' has a year of two figures; profile.date_order says the order"
    )
    days = {order: read(text, date_order=order).table["measured_at"][0].date()
            for order in ("day-month-year", "month-day-year", "year-month-day")}  # fmt: skip
    assert list(days.values()) == [date(2026, 10, 14), date(2026, 10, 14), date(2014, 10, 26)]


def test_a_text_that_is_no_month_refuses_its_row_only(read: Read) -> None:
    reading = read("Sample;Date;T (°C);KV (cSt)\nA;12 abc 26;40;9.1\nB;12 mars 2026;40;9.1\n")
    assert [one.value for one in reading.refusals] == ["12 abc 26"]
    assert len(reading.table) == 1
