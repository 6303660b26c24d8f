"""Is a slope of the viscosity-temperature line one that liquids of the trade show?"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labcalc.formulae._tables import published_entries

EDITION = "ASTM D341-20 for the slope; its range by kind of liquid: labcalc/data/liquid_slopes.toml (CoolProp 8.0.0)"


@dataclass(frozen=True, eq=False)
class SlopeJudgement:
    """A slope of the viscosity-temperature line against those of a kind of liquid."""

    lowest: float  # lowest slope B of such liquids, [-]
    highest: float  # highest slope B of such liquids, [-]
    plausible: NDArray[np.bool_]  # whether the slope lies between them; False where it is NaN
    liquids: NDArray[np.str_]  # kinds of liquid that have such a slope, separated by commas; empty where none has
    source: str  # where the range comes from


def judge_slope(slope: ArrayLike, liquid: str = "petroleum liquid") -> SlopeJudgement:
    """Tell whether a slope, [-], of the viscosity-temperature line is one that a kind of liquid shows.

    Kelvin typed as °C make a slope about 1.8 times as great, and no liquid of the table is left; °F typed as °C make it
    0.7 times as great: a mineral oil or fuel falls out of its own kind, and looks like a glycol or a multigrade oil.
    The m-value of Ubbelohde and Walther lies within 0.05 of B for liquids above 2 mm²/s.

    slope : Slope B, [-], as ``fit_viscosity_temperature`` gives it.
    liquid : Kind of liquid: ``petroleum liquid`` (mineral, synthetic and multigrade oils, fuels, esters), ``mineral oil
        or fuel``, ``polyalkylene glycol``, ``thick polyalphaolefin`` or ``silicone fluid``.
    Source : ``labcalc/data/liquid_slopes.toml``: products of the trade; of the slopes of pure hydrocarbons in CoolProp
        and Perry's Handbook 97 % lie within those of petroleum liquids.

    >>> found = judge_slope([3.68, 6.62, 2.56], "mineral oil or fuel")
    >>> found.plausible.tolist(), found.liquids.tolist()[1:]
    ([True, False, False], ['', 'polyalkylene glycol, thick polyalphaolefin'])
    """
    table = published_entries("liquid_slopes.toml")
    ranges = {entry["name"]: tuple(entry["slope"]) for entry in table["liquid"]}
    if liquid not in ranges:
        raise ValueError(f"kind of liquid '{liquid}' is unknown; known are {', '.join(map(repr, ranges))}")
    B = np.asarray(slope, dtype=float)
    inside = {name: (low <= B) & (high >= B) for name, (low, high) in ranges.items()}
    words = np.full(B.shape, "", dtype=object)
    for name, holds in inside.items():
        words = np.where(holds, np.where(words == "", name, words + f", {name}"), words)
    lowest, highest = ranges[liquid]
    return SlopeJudgement(lowest, highest, inside[liquid][()], words.astype(str)[()], table["source"])
