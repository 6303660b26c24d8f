"""Questions on components of variance and intermediate precision."""

from __future__ import annotations

__all__: list[str] = []
