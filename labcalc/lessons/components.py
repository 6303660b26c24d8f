"""What changes between days and people: components of variance, intermediate precision, where the next measurement helps."""

from __future__ import annotations

__all__: list[str] = []
