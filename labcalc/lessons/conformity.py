"""Yes or no: a result beside its limit, guard bands, and whose risk a rule is."""

from __future__ import annotations

__all__: list[str] = []
