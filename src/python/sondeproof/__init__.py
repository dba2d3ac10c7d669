"""Says whether an engine test log can be believed, before anyone draws a conclusion from it.

    >>> import sondeproof
    >>> result = sondeproof.audit("run1.csv", rig="car.toml")
    >>> result["gate"]["decision"]
    >>> frame = polars.DataFrame(result.flags)        # or pyarrow.table(...), pandas.DataFrame.from_arrow(...)

The document is the one that `sondeproof audit --json` writes; `schema()` describes it.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from . import _native
from ._native import Flags

__all__ = ["ArrowStream", "Audit", "Flags", "audit", "schema"]


@runtime_checkable
class ArrowStream(Protocol):
    """A table of any library that hands out its columns through the Arrow C stream interface."""

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object: ...


class Audit(dict[str, Any]):
    """The audit document `sondeproof.audit/1`, with the flags of every sample beside it."""

    flags: Flags
    """`time_s`, then each channel's value and `<channel>.flag`: 1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing."""

    def __init__(self, document: dict[str, Any], flags: Flags) -> None:
        super().__init__(document)
        self.flags = flags


def audit(
    log: str | os.PathLike[str] | ArrowStream,
    rig: str | os.PathLike[str] | None = None,
    *,
    rate_hz: float | None = None,
    name: str = "table",
) -> Audit:
    """Audits a log: a file of any supported format, or an Arrow table (polars, pandas, pyarrow ...).

    `rig` is the path of a rig file, `rate_hz` the rate of a log without a time column, `name` what a table is called
    in the document.

    Raises `OSError` when a file cannot be opened and `ValueError` when the log or the rig cannot be used; the message
    says what was found and what helps.
    """
    text = None if rig is None else Path(rig).read_text(encoding="utf-8-sig")
    rig_name = "" if rig is None else os.fspath(rig)
    if isinstance(log, (str, os.PathLike)):
        document, flags = _native.audit(Path(log), text, rig_name, rate_hz)
    elif isinstance(log, ArrowStream):
        document, flags = _native.audit_table(log, name, text, rig_name, rate_hz)
    else:
        raise TypeError(f"expected a path or an Arrow table, not {type(log).__name__}")
    return Audit(json.loads(document), flags)


def schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of the document."""
    loaded: dict[str, Any] = json.loads(_native.schema())
    return loaded
