"""The pictures of a run report; where there is nothing to draw, a sentence says so."""

from labcalc.figures.markup import Fragment, note
from labcalc.figures.picture import Picture
from labcalc.figures.run.density import draw_density_temperature
from labcalc.figures.run.reference_oils import draw_reference_history
from labcalc.figures.run.viscosity import draw_viscosity_temperature
from labcalc.judgement import Judgement, density_curve, viscosity_curve


def viscosity_picture(judgement: Judgement, *, lone: bool = True) -> Picture | Fragment:
    """Return the viscosity-temperature chart of a run; ``lone``: also where one temperature alone gives no line."""
    dossier = judgement.dossier
    curve = viscosity_curve(judgement.results, dossier.temperatures_C, dossier.liquid)
    if curve is None:
        return note("This run holds no kinematic viscosity: there is no viscosity-temperature chart.")
    if not (lone or curve.temperature_C.size):
        return note("One temperature alone gives no viscosity-temperature line.")
    return draw_viscosity_temperature(curve, judgement.dossier.sample)


def density_picture(judgement: Judgement, *, minus_expected: bool = False) -> Picture | Fragment:
    """Return the density-temperature chart of a run, or that of its densities minus what the table expects."""
    commodity = judgement.dossier.commodity
    curve = density_curve(judgement.results, commodity)
    if curve is None:
        return note("This run holds no density: there is no density-temperature chart.")
    return draw_density_temperature(curve, judgement.dossier.sample, commodity, minus_expected=minus_expected)


def reference_picture(judgement: Judgement) -> Picture | Fragment:
    """Return the reference-oil chart of the run's instrument, with the run's place in time."""
    dossier = judgement.dossier
    picture = draw_reference_history(dossier.references, dossier.instrument, dossier.rows["measured_at"].max())
    why = dossier.why_no_references
    return picture or note(f"{why[0].upper()}{why[1:]}.")
