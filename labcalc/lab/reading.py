"""Exports as the laboratory reads them: by its profiles, in its time zone, with what it knows by their names.

Beside it the files that lab.toml names: exports that make up the laboratory's record, certificates of reference oils.
"""

import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from fnmatch import translate
from functools import lru_cache
from itertools import takewhile
from pathlib import Path
from typing import Any

import pandas as pd

from labcalc.errors import SettingsError
from labcalc.exports import Reading, read_exports
from labcalc.lab.laboratory import CertifiedValue, Laboratory, Product, ReferenceLot, ReferenceMaterial
from labcalc.lab.settings import load_laboratory

_ROLES = ("sample", "reference")
NOT_GIVEN = "not given"
_NAMES = ("lot", "certificate", "producer", "accreditation", "valid_from", "valid_to", "file")


def name_fits(name: str, patterns: Iterable[str]) -> bool:
    """Tell whether a name fits one of the shell-style patterns; case ignored, no name fits none."""
    folded = name.strip().casefold()
    return bool(folded) and _one_of(tuple(patterns)).match(folded) is not None


@lru_cache(maxsize=4096)
def _one_of(patterns: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile("|".join(translate(one.casefold()) for one in patterns) or "(?!)")


def reference_of(laboratory: Laboratory, sample: str) -> ReferenceMaterial | None:
    """Return the reference oil whose patterns the sample name fits; the first in the file, None if none does."""
    return next((one for one in laboratory.references if name_fits(sample, one.samples)), None)


def product_of(laboratory: Laboratory, *, sample: str = "", product: str = "") -> Product | None:
    """Return the product of that name, or else the first whose patterns the sample name fits; case ignored."""
    named = (one for one in laboratory.products if one.name.casefold() == product.strip().casefold())
    fitting = (one for one in laboratory.products if name_fits(sample, one.samples))
    return next(named, None) or next(fitting, None)


def lot_in_use(material: ReferenceMaterial, lot: str, day: date) -> ReferenceLot | None:
    """Return the named lot if valid on the day; without a name, the one lot that is, None if none or several are."""
    if pd.isna(day):
        return None
    valid = [one for one in material.lots if one.valid_from <= day <= one.valid_to]
    if lot.strip():
        return next((one for one in valid if one.lot.casefold() == lot.strip().casefold()), None)
    return valid[0] if len(valid) == 1 else None


def label_runs(table: pd.DataFrame, laboratory: Laboratory) -> pd.DataFrame:
    """Return a tidy table in which what the sample names tell is filled in.

    ``role`` is ``reference`` or ``sample`` (what the export says is kept if it is one of the two); ``product`` of
    samples and ``lot`` of reference oils are filled in where the export has none.
    """
    names = table["sample"].astype(object).where(table["sample"].notna(), "").astype(str)
    known = {name: reference_of(laboratory, name) for name in names.unique()}
    by_name = names.map({name: "sample" if oil is None else "reference" for name, oil in known.items()})
    given = table["role"].astype(object)
    role = given.where(given.isin(_ROLES), by_name.astype(object))
    return table.assign(
        role=_as(table["role"], role),
        product=_as(table["product"], _products(table["product"], names, role, laboratory)),
        lot=_as(table["lot"], _lots(table, names, role, known)),
    )


def _products(given: pd.Series, names: pd.Series, role: pd.Series, laboratory: Laboratory) -> pd.Series:
    wanted = _missing(given) & (role == "sample")
    found = {name: product_of(laboratory, sample=name) for name in names[wanted].unique()}
    by_name = names.map({name: one.name for name, one in found.items() if one is not None}).astype(object)
    return given.astype(object).mask(wanted & by_name.notna(), by_name)


def _lots(
    table: pd.DataFrame, names: pd.Series, role: pd.Series, known: dict[str, ReferenceMaterial | None]
) -> pd.Series:
    lots = table["lot"].astype(object).copy()
    wanted = (_missing(lots) & (role == "reference") & table["measured_at"].notna()).to_numpy(bool)
    if not wanted.any():
        return lots
    days = table["measured_at"][wanted].dt.date
    filled = lots[wanted].to_numpy(object, copy=True)
    for (name, day), places in days.groupby([names[wanted], days]).indices.items():
        material = known[name]
        lot = None if material is None else lot_in_use(material, "", day)
        if lot is not None:
            filled[places] = lot.lot
    lots[wanted] = filled
    return lots


def _missing(column: pd.Series) -> pd.Series:
    return column.isna() | (column.astype(object) == "")


def _as(column: pd.Series, values: pd.Series) -> pd.Series:
    """Give texts the type of the column that they replace; a column without any text has none to give."""
    return values.astype(column.dtype) if isinstance(column.dtype, pd.StringDtype) else values


def export_files(paths: Iterable[str | Path], *, empty_too: bool = False) -> Iterator[Path]:
    """Return files, and those in folders at any depth but hidden and lock files; a folder without any if wanted."""
    for path in map(Path, paths):
        found = [one for one in sorted(path.rglob("*")) if one.is_file()] if path.is_dir() else [path]
        found = [one for one in found if one == path or not one.name.startswith((".", "~$"))]
        yield from found or ([path] if empty_too else [])


def read(exports: str | Path | Iterable[str | Path], lab: str | Path | Laboratory | None = None) -> Reading:
    """Read run exports into one tidy table.

    exports : The exports, or folders of them at any depth.
    lab : lab.toml, or what ``load_laboratory`` made of it; without, any export that explains itself is read.
    Returns : ``table``: a row a determination, units in the column names; ``refusals``: rows that were not taken, and
        why; ``failures``: exports that can't be read, beside others that can; ``sources``: how each was read.
    Raises ExportError : No export can be read; the reason of the first.
    Raises SettingsError : lab.toml can't be used.
    """
    laboratory = load_laboratory(lab)
    paths = [exports] if isinstance(exports, str | Path) else exports
    files = export_files(paths, empty_too=True)  # which says that it is a folder
    reading = read_exports(files, profiles=laboratory.profiles, time_zone=laboratory.time_zone)
    return replace(reading, table=label_runs(reading.table, laboratory))


def earlier_export_files(laboratory: Laboratory) -> tuple[Path, ...]:
    """Return the files that the patterns of ``earlier_exports`` fit, sorted, each once; none without a lab.toml.

    A pattern starts from the folder of lab.toml unless it is an absolute path; ``**`` stands for any depth of folders,
    but for those that links lead to. ``~`` and ``$NAME`` are taken as they are written.
    """
    if laboratory.file is None:
        return ()
    return tuple(sorted({path for one in laboratory.earlier_exports for path in _matches(laboratory.file, one)}))


def _matches(file: Path, pattern: str) -> Iterator[Path]:
    given = Path(pattern)
    start, parts = (file.parent / given.anchor), given.parts[bool(given.anchor) :]
    fixed = start.joinpath(*takewhile(lambda part: "*" not in part, parts)).resolve()
    if "**" in parts and fixed == fixed.parent:
        raise SettingsError(str(file), "laboratory.earlier_exports", f"'{pattern}' fits a whole disk")
    if parts:
        found = start.glob("/".join((*parts, "*") if parts[-1] == "**" else parts))
        yield from (one for one in found if not _is_hidden(one.relative_to(start).parts, parts) and one.is_file())


def _is_hidden(names: tuple[str, ...], parts: tuple[str, ...]) -> bool:
    return any(name.startswith(".") and name not in (*parts, "..") for name in names)


def certificates(laboratory: Laboratory) -> Iterator[dict[str, Any]]:
    """Yield what the certificate of each lot says, by ``oil`` and the keys of lab.toml: texts, or ``not given``.

    ``file_sha256`` is the digest of its file, ``certified`` its values.
    """
    for oil in laboratory.references:
        for lot in oil.lots:
            said = {name: str(getattr(lot, name) or NOT_GIVEN) for name in _NAMES}
            digest, values = _digest(laboratory, lot), list(map(_value, lot.certified))
            yield {"oil": oil.name, **said, "file_sha256": digest, "certified": values}


def _value(one: CertifiedValue) -> dict[str, str]:
    numbers = {name: repr(getattr(one, name)) for name in ("temperature_C", "value", "expanded_uncertainty")}
    k = f"{one.coverage_factor:g}" if one.k_is_stated else NOT_GIVEN
    return {"quantity": one.quantity, **numbers, "coverage_factor": k}


def _digest(laboratory: Laboratory, lot: ReferenceLot) -> str:
    if not lot.file or laboratory.file is None:
        return NOT_GIVEN
    try:
        return hashlib.sha256((laboratory.file.parent / lot.file).read_bytes()).hexdigest()
    except OSError as error:
        return f"can't be read: {error.strerror}"
