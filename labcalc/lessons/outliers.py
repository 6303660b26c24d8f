"""The odd one out: what dropping one of three does, and what outlier tests can and can't."""

from __future__ import annotations

__all__: list[str] = []
