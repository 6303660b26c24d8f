"""Components of variance: what each level adds, with its interval."""

from html import escape

from labcalc.figures.markup import Fragment, folded, html_table, note
from labcalc.judgement import ComponentsOfVariance
from labcalc.statistics import VarianceComponent, VarianceSum
from labcalc.wording import numeral, percent


def show_components(studies: tuple[ComponentsOfVariance, ...]) -> Fragment:
    """Return a table of studies, and what could not be told."""
    if not studies:
        return note("No reference oil was measured often enough to tell what its results spread by.")
    columns = ("Oils, quantity", "n", "Standard deviation (95 %)", "Of it: share of the variance, s (95 %)")
    html = html_table(
        "What results of the reference oils spread by", columns, map(_cells, studies), numeric=(1,), stacked=True
    )
    known = dict.fromkeys(one for study in studies for one in (*study.not_enough, *study.remarks))
    if items := "".join(f"<li>{escape(line)}</li>" for line in known):
        html += f'<p class="note">What has to be known:</p><ul class="note">{items}</ul>'
    html = folded(studies[0].sentence, html)
    return Fragment(html, "\n".join(study.sentence for study in studies))


def _cells(study: ComponentsOfVariance) -> tuple[str, ...]:
    if study.components is None or not study.components.total.variance:
        return escape(study.name), str(study.number), "–", escape(study.sentence)
    symbol, total = study.intermediate_precisions[0]
    parts = sorted(study.components.components, key=lambda one: -one.share)
    deviation, interval = _spread(total)
    return (
        escape(study.name),
        str(study.number),
        f"{symbol} = {deviation} {study.unit}<br>({interval})",
        "<br>".join(escape(f"{one.name} {percent(one.share, 0)}, {' ('.join(_spread(one))})") for one in parts),
    )


def _spread(one: VarianceComponent | VarianceSum) -> tuple[str, str]:
    return numeral(one.deviation), " to ".join(map(numeral, one.deviation_interval))
