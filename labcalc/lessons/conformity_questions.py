"""Questions on conformity, decision rules and risks."""

from __future__ import annotations

__all__: list[str] = []
