"""The verdict on a run and its checks. The numbers of the runs are invented; the limits are computed here."""

from __future__ import annotations

import math

import pytest

from labcalc.errors import UnknownRunError
from labcalc.judgement import Check, Judgement
from labcalc.judgement.run.verdict import next_steps
from tests.judgement.conftest import GOOD, LAB, REFERENCE, Judge


def check(judgement: Judgement, name: str) -> Check:
    found = [one for one in judgement.checks if one.name.startswith(name)]
    assert len(found) == 1, [one.name for one in judgement.checks]
    return found[0]


def test_a_good_run_is_releasable(judged: Judge) -> None:
    judgement = judged()
    assert judgement.verdict == "releasable"
    assert {one.state for one in judgement.checks} == {"met", "not checked"}
    assert judgement.reason.endswith("not checked")


def test_no_check_of_the_report_is_left_out(judged: Judge) -> None:
    """In the order of the report."""
    assert [one.name.split(":")[0] for one in judged().checks] == [
        "Viscosity falls with temperature",
        "Repeats",
        "Reference oils of this instrument",
        "Reference oils of this instrument",
        "Control charts of this instrument",
        "Density slope",
        "Viscosity-temperature line",
        "Carry-over",
        "Specification",
        "Specification",
        "Typical values",
        "Earlier runs of the sample and its lot",
    ]


def test_repeats_beyond_the_limit_are_not_releasable(judged: Judge) -> None:
    """r of formulated oils at 40 °C, D445 as shipped (memory): 0.0074 x = 0.343 at 46.36 mm²/s; two pairs: 1.241 r."""
    near = GOOD + "S1,S-1,2026-03-02 08:20,VD,40,46.45,858.1\n"
    far = GOOD + "S1,S-1,2026-03-02 08:20,VD,40,46.60,858.1\n"
    assert check(judged(near), "Repeats: kinematic viscosity at 40").state == "met"
    apart = judged(far)
    assert check(apart, "Repeats: kinematic viscosity at 40").state == "not met"
    assert apart.verdict == "not releasable"
    assert "lie 0.480 mm²/s apart; limit 0.426 mm²/s" in apart.reason
    assert "[memory]" in check(apart, "Repeats: kinematic viscosity at 40").basis


def test_repeats_exactly_at_the_limit_agree(judged: Judge) -> None:
    """ISO 12185 as shipped (memory): r = 0.2 kg/m³, which binary arithmetic takes the difference to be more than."""
    assert 856.7 - 856.5 > 0.2
    export = GOOD.replace("858.1", "856.5") + "S1,S-1,2026-03-02 08:20,VD,40,46.12,856.7\n"
    assert check(judged(export), "Repeats: density at 40").state == "met"


def test_a_reference_oil_beyond_its_limit_is_not_releasable(judged: Judge) -> None:
    """Limit: hypot(0.5 % of 50.00, U = 0.10) = 0.269 mm²/s."""
    within = judged(record=REFERENCE.replace("50.05", "50.26"))
    assert check(within, "Reference oils of this instrument: agreement").state == "met"
    beyond = judged(record=REFERENCE.replace("50.05", "50.28"))
    assert beyond.verdict == "not releasable"
    assert (
        "RO-1 lot A, kinematic viscosity at 40 °C, 50.28 mm²/s, is +0.28 from the certified 50; limit ±0.27"
        in beyond.reason
    )


def test_only_the_last_reference_result_before_the_run_counts(judged: Judge) -> None:
    record = (
        "R0,RO-1,2026-03-01 07:00,VD,40,55.00,850.05\n" + REFERENCE + "R2,RO-1,2026-03-02 17:00,VD,40,55.00,850.05\n"
    )
    judgement = judged(record=record)
    assert check(judgement, "Reference oils of this instrument: agreement").state == "met"
    assert set(judgement.dossier.references["run"]) == {"R0", "R1"}


def test_another_instruments_reference_oil_does_not_count(judged: Judge) -> None:
    judgement = judged(record=REFERENCE.replace("VD", "VD-other"))
    assert check(judgement, "Reference oils of this instrument").state == "doubtful"
    assert judgement.verdict == "needs a second look"


def test_without_an_instrument_the_reason_is_told_and_the_way_out(judged: Judge) -> None:
    """A reference oil stands in the record, the export doesn't say of which instrument it is."""
    judgement = judged(GOOD.replace("VD", ""))
    finding = check(judgement, "Reference oils of this instrument").finding
    assert finding == "the export names no instrument, so no reference oil speaks for this run"
    assert next_steps(judgement)[0] == 'Name it in lab.toml, the [[profile]] of the export: instrument = "…".'


def test_an_old_reference_result_needs_a_second_look(judged: Judge) -> None:
    judgement = judged(record=REFERENCE.replace("03-02 07:00", "03-01 19:59"))
    recency = check(judgement, "Reference oils of this instrument: age")
    assert recency.state == "doubtful"
    assert recency.finding == "RO-1 12.0 h before; limit 12 h"


def test_an_expired_certificate_needs_a_second_look(judged: Judge) -> None:
    judgement = judged(lab=LAB.replace("valid_to = 2026-03-31", "valid_to = 2026-03-01"))
    finding = check(judgement, "Reference oils of this instrument: agreement").finding
    assert finding == "no certificate in lab.toml was valid on the day for RO-1"
    assert judgement.verdict == "needs a second look"


def test_outside_the_specification_is_not_releasable(judged: Judge) -> None:
    judgement = judged(GOOD.replace("46.12", "50.66"))
    assert check(judgement, "Specification: kinematic viscosity at 40 °C").state == "not met"
    assert judgement.verdict == "not releasable"


@pytest.mark.parametrize(
    ("value", "state"),
    [("50.60", "doubtful"), ("50.64", "doubtful"), ("50.65", "doubtful"), ("50.66", "not met"), ("50.30", "met")],
)
def test_decision_rule_rounds_to_the_limit_and_looks_twice_within_u(judged: Judge, value: str, state: str) -> None:
    """ASTM E29, rounding method (memory): 50.65 rounds to 50.6, the even digit. U = 0.5 % = 0.25 mm²/s."""
    found = check(judged(GOOD.replace("46.12", value)), "Specification: kinematic viscosity at 40 °C")
    assert found.state == state


def test_an_untypical_density_needs_a_second_look(judged: Judge) -> None:
    judgement = judged(GOOD.replace("858.1", "856.4"))
    found = check(judgement, "Typical values")
    assert found.state == "doubtful"
    assert "density at 40 °C, 856.4 kg/m³, is 3.2 standard deviations below the typical 858" in found.finding


def test_an_implausible_density_slope_needs_a_second_look(judged: Judge) -> None:
    """A lubricating oil falls by 0.635 kg/m³ a kelvin between 40 °C and 100 °C whatever its density (API MPMS 11.1)."""
    found = check(judged(GOOD.replace("819.9", "815.9")), "Density slope")
    assert found.state == "doubtful"
    assert found.finding.startswith("falls by 0.703 kg/m³ a kelvin")


def test_an_unknown_product_is_not_called_compliant(judged: Judge) -> None:
    judgement = judged(GOOD.replace("S-1", "X-1"))
    assert (
        check(judgement, "Specification").finding
        == "nothing was held against a specification: lab.toml knows no product of this name"
    )


def test_a_reference_run_is_compared_with_its_own_certificate(judged: Judge) -> None:
    judgement = judged(GOOD + "R9,RO-1,2026-03-02 09:00,VD,40,50.40,850.00\n", run="R9")
    assert check(judgement, "Agreement with the certificate").state == "not met"
    assert judgement.verdict == "not releasable"


def test_the_run_before_is_named(judged: Judge) -> None:
    finding = check(judged(), "Carry-over").finding
    assert finding == (
        "how much stays in the cell is not known (0 results after a sample of another level; 6 are needed, after a "
        "thicker sample); the run before was RO-1"
    )


def test_an_unknown_run_is_named(judged: Judge) -> None:
    with pytest.raises(UnknownRunError, match="there is no run 'S9' in the exports; the first is 'S1'"):
        judged(run="S9")
    with pytest.raises(UnknownRunError, match="there is no run 'S-1' in the exports; that sample's: 'S1'"):
        judged(run="S-1")


def test_results_and_what_follows(judged: Judge) -> None:
    judgement = judged()
    assert [(r.name, r.reported, r.unit) for r in judgement.results] == [
        ("Kinematic viscosity at 40 °C", "46.12", "mm²/s"),
        ("Dynamic viscosity at 40 °C", "39.58", "mPa·s"),
        ("Density at 40 °C", "858.1", "kg/m³"),
        ("Kinematic viscosity at 100 °C", "6.870", "mm²/s"),
        ("Dynamic viscosity at 100 °C", "5.633", "mPa·s"),
        ("Density at 100 °C", "819.9", "kg/m³"),
    ]
    assert [r.follows for r in judgement.results] == [False, True, False] * 2
    by_name = {c.name: c for c in judgement.consequences}
    assert by_name["Viscosity grade"].reported == "VG 46"
    assert "extrapolated" in by_name["Kinematic viscosity at 0 °C"].note
    assert by_name["Kinematic viscosity at 60 °C"].note == ""


def test_uncertainty_of_an_index_grows_as_published(judged: Judge) -> None:
    """Sensitivities of the index near 73.30/8.86, computed from the table elsewhere: -1.45 and +2.15 for +1 %."""
    judgement = judged(GOOD.replace("46.12", "73.30").replace("6.870", "8.860"))
    index = next(c for c in judgement.consequences if c.name == "Viscosity index")
    assert index.reported == "92"
    assert index.expanded_uncertainty == pytest.approx(0.5 * math.hypot(1.45, 2.15), rel=0.02)


def test_without_a_lab_toml_nothing_is_called_releasable(
    tmp_path_factory: pytest.TempPathFactory, judged: Judge
) -> None:
    judgement = judged()
    from labcalc.judgement import gather, judge
    from tests.judgement.test_uncertainty import unknown_parts

    bare = judge(gather([judgement.dossier.laboratory.file.parent / "today.csv"]).dossier("S1"))  # type: ignore[union-attr]
    assert bare.verdict == "needs a second look"
    assert math.isnan(bare.results[0].expanded_uncertainty)
    assert "; ".join(unknown_parts(bare.results[0].effects)) == (
        "reference oil (lab.toml names no reference "
        "oils); temperature (lab.toml gives no [uncertainty] temperature_K); repeatability (lab.toml gives this "
        "product no precision_class); adjustment (lab.toml gives no [uncertainty] adjustment_percent)"
    )
