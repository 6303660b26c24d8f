"""The pictures are drawn from the small laboratory of the tests of judgement."""

from tests.judgement.conftest import judged

__all__ = ["judged"]
