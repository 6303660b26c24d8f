r"""From a strange result to the few causes that the numbers allow.

A run is put beside what was expected, and each cause is asked what it would have done to every quantity at once, in
ln ν and ρ, at every place and size that it can have. The probability of a cause is its prior odds times its marginal
likelihood; 'something else, or more than one thing' is one of them, with a wide shift of its own for every row and
fill. What a cause does is known to 12 % of it, and what lies between two places, rules or shares is possible. Odds,
sizes and correlations are labcalc's own choice, each beside its name. The best next measurement is the fill that is
expected to make the leading cause right most often.

How well it does stands in ``data/causes_reliability.toml``, from laboratories whose physics is written independently:
``python -m tests.judgement.open_world --write DATE`` makes it again; ``python -m tests.judgement.open_world_next
--ideal`` sets the fill that is proposed beside that of an observer who knows the true physics.
"""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
