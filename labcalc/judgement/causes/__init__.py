r"""From a strange result to the few causes that the numbers allow.

A run is put beside what was expected (typical values of the product, narrowed by earlier runs of the sample or its
lot), and each cause is asked what it would have done to every quantity at once: a warm cell, air, residue, solvent,
fuel, water, a biased instrument, another product, a slip, a sample that changed, or nothing but noise and the product's
spread. The probability of a cause is its prior odds times its marginal likelihood, the sizes integrated over their
log-normal priors; the best next measurement is the one whose outcome the two best causes differ in most.

Everything happens in ln ν and ρ. A product's batches vary together at both temperatures, the noise of one instrument
and day is correlated, viscosities of mixtures lie between two rules. Prior odds, sizes and correlations are labcalc's
own choice, each beside its name.

What can't be told apart by numbers is said in words: fuel in the sample and a residue of gas oil in the cell differ by
what ran before and by a second fill only; solvent that boils off and a cell too warm at 40 °C do so by the density.

How well it does, in simulated runs whose physics is written independently (Vogel's viscosity, mass balances, mixtures
anywhere between both rules, faults of 2 to 10 standard deviations, every cause as often as any other), by
``python -m tests.judgement.causes_simulator``: true cause in the rows, leading cause in the columns, per cent of the
row::

                         noise temperat   bubble  residue  solvent dilution    water     bias  product     slip  changed
    noise                   80        5        1        8        0        0        5        2        0        0        0
    cell temperature         8       67        1        4        9        2        3        0        0        1        3
    air bubble               6        1       85        1        0        0        4        0        0        3        0
    residue                  4        1        0       86        0        6        1        0        0        0        0
    solvent                  3       18        1        3       72        1        1        1        0        1        2
    dilution                 4        2        0       10        1       81        0        0        0        0        1
    water                    3        4        0        2        0        0       90        1        0        0        1
    instrument bias          6        0        0        1        0        0        2       92        0        0        0
    another product          0        0        0        0        0        0        0        0      100        0        0
    slip                    10        5        3        3        0        1        1        0        1       77        1
    changed                  0        3        0        1        1        1        1        0        0        0       91

First in 84 %, among the first two in 93 %. Where the cause is distinguishable (what it did lies 3 standard deviations
or more from everything that any rival could have done) it is first in 97.6 % and among the first two in 99.5 %. Stated
probabilities are true as often as they say, within 4 points in every tenth, if causes are as frequent and as large as
taken for granted. With nothing wrong and the package's own odds, noise leads in 99.8 %; it falls below 5 % in none of
8 800 good runs.
"""

from lazy_loader import attach_stub

__getattr__, __dir__, __all__ = attach_stub(__name__, __file__)
