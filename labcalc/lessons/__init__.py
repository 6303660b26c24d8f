"""What the lessons compute: data drawn by a learner's name, simulations beside theory, questions, results."""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
