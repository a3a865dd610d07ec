"""What may follow a cyclic stage, and under which limits a specimen that has run out is broken."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.control.checklist import checklist
from rig.protocol.capability import capability
from rig.protocol.doubts import _loads
from rig.protocol.estimate import estimate
from rig.protocol.plan import Approach, Ramp
from rig.protocol.protecting import unprotected
from rig.protocol.residual import residual_stages
from tests.protocol.texts import BY_SERIES, WET, load_edited, problems_of, shipped

SHIPPED = "residual-capacity.toml"
BREAK = """[[stage]]
name = "to ultimate"
kind = "ramp"
control = "deflection"
until = "ultimate"
speed = "0.5 mm/min"

"""
LIMITS = """[limits.residual]
load = ["-2 kN", "{most}"]

"""


def protocol(stages: str = BREAK, limits: str = LIMITS.format(most="200 kN")) -> str:
    """Return a protocol with stages behind its cyclic one, and limits for them."""
    text = BY_SERIES.replace("[spray]", f"{stages}[spray]")
    return text.replace("[pauses]", f"{limits}[pauses]")


def refused(text: str) -> list[tuple[str, str, str]]:
    """Return field, problem and remedy of each problem of a protocol."""
    return [(p.field, p.problem, p.remedy) for p in problems_of({WET: text})]


def test_the_shipped_one_breaks_what_has_run_out_under_limits_of_its_own():
    plan = load_edited({}, SHIPPED)
    kinds = [type(stage) for stage in residual_stages(plan)]
    assert kinds == [Approach, Ramp]
    assert plan.limits.fixed["load"] == (-2e3, 97e3)
    assert plan.limits.residual == {"load": (-2e3, 200e3), "deflection": (-0.5e-3, 40e-3)}
    assert plan.warnings == ()


def test_a_protocol_that_ends_with_its_cycles_has_no_residual_test():
    assert residual_stages(load_edited({})) == ()
    assert residual_stages(load_edited({}, "static-ultimate.toml")) == ()


HOLD = '[[stage]]\nname = "rest"\nkind = "hold"\nat = "lower"\nduration = "1 min"\n\n'
CYCLIC = (
    '[[stage]]\nname = "more"\nkind = "cyclic"\nbuild_up = "9 cycles"\nrun_out = "9e6 cycles"\n\n'
)
CONTACT = (
    '[[stage]]\nname = "anew"\nkind = "approach"\ncontact = "2 kN"\nspeed = "0.5 mm/s"\n'
    'give_up_after = "9 mm"\n\n'
)


@pytest.mark.parametrize(
    ("stages", "field", "words"),
    [
        (HOLD + BREAK, "stage[4]", "never reached"),
        (CYCLIC, "stage[4]", "never reached"),
        (CONTACT + HOLD + BREAK, "stage[5]", "never reached"),
        (CONTACT + CONTACT.replace("anew", "more") + BREAK, "stage[5]", "never reached"),
        (CONTACT, "stage[4]", "leads to nothing"),
        (BREAK + CONTACT, "stage[4].until", "breaks the specimen, and stages follow"),
    ],
    ids=[
        "hold",
        "cyclic",
        "hold after contact",
        "contact twice",
        "contact alone",
        "contact after it broke",
    ],
)
def test_nothing_but_contact_and_a_ramp_to_ultimate_follows_a_cyclic_stage(stages, field, words):
    limits = LIMITS.format(most="200 kN") if BREAK in stages else ""
    assert any(
        at == field and words in problem for at, problem, _ in refused(protocol(stages, limits))
    )


def test_contact_anew_and_the_ramp_are_accepted():
    plan = load_edited({WET: protocol(CONTACT + BREAK)})
    assert [stage.name for stage in residual_stages(plan)] == ["anew", "to ultimate"]


def test_breaking_needs_a_load_limit_of_its_own():
    ((field, problem, remedy),) = refused(protocol(limits=""))
    assert field == "stage[4]"
    assert problem == "goes to the ultimate load under the limits of the cycles"
    assert "[limits.residual]" in remedy
    only_bending = '[limits.residual]\ndeflection = ["-0.5 mm", "40 mm"]\n\n'
    assert len(refused(protocol(limits=only_bending))) == 1


def test_its_limits_without_a_ramp_to_ultimate_protect_nothing():
    ((field, problem, _),) = refused(protocol(stages=""))
    assert (field, problem) == (
        "limits.residual",
        "has no static test after a run-out to protect",
    )


@pytest.mark.parametrize(
    ("limits", "field", "words"),
    [
        (LIMITS.format(most="90 kN"), "limits.residual.load[2]", "within what the test works with"),
        (
            '[limits.residual]\nload = ["1 kN", "200 kN"]\n\n',
            "limits.residual.load[1]",
            "below zero",
        ),
        (
            LIMITS.format(most="200 kN").strip() + '\ndeflection = ["1 mm", "9 mm"]\n\n',
            "limits.residual.deflection",
            "leaves out zero",
        ),
        ("[limits.residual]\nlod = 1\n\n", "limits.residual.lod", "no channel"),
    ],
    ids=["under the cycles", "above zero", "deflection without zero", "misspelt"],
)
def test_limits_that_cannot_be_are_one_line_each(limits, field, words):
    assert any(
        at == field and words in problem for at, problem, _ in refused(protocol(limits=limits))
    )


def test_the_limits_of_the_cycles_are_held_to_110_per_cent_all_the_same():
    wide = protocol().replace('load = ["-2 kN", "97 kN"]', 'load = ["-2 kN", "130 kN"]')
    assert [at for at, *_ in refused(wide)] == ["limits.load[2]"]


def test_a_load_limit_that_ends_the_breaking_early_is_warned_of_where_it_stands():
    text = shipped(SHIPPED).replace('"200 kN"', '"120 kN"')
    plan = load_edited({SHIPPED: text}, SHIPPED)
    (found,) = unprotected(plan, capability(plan))
    assert found.path == ("limits", "residual", "load", 1)
    assert "ends the test before the specimen breaks" in found.problem


@pytest.mark.parametrize(
    ("most", "words"),
    [
        ("5 mm", "5 mm ends the test before the specimen breaks, which should bend about"),
        ("60 mm", "60 mm is no less than midspan can show, 50 mm, and would never trip"),
    ],
)
def test_a_deflection_limit_that_ends_the_breaking_early_or_never_is_warned_of(most, words):
    text = shipped(SHIPPED).replace('"40 mm"', f'"{most}"')
    plan = load_edited({SHIPPED: text}, SHIPPED)
    (found,) = unprotected(plan, capability(plan))
    assert found.path == ("limits", "residual", "deflection", 1)
    assert found.problem.startswith(words)


def test_no_limit_of_the_shipped_one_is_warned_of():
    plan = load_edited({}, SHIPPED)
    assert unprotected(plan, capability(plan)) == ()


def test_what_it_takes_holds_the_inspection_and_the_ramp_too():
    plan = load_edited({}, SHIPPED)
    cycled = replace(plan, stages=plan.stages[:3])
    more = estimate(plan).duration_s - estimate(cycled).duration_s
    ramp = plan.specimen.section.span / 60 / plan.stages[-1].speed
    assert more > ramp + plan.inspections.go_on_after


def test_a_load_cell_must_be_calibrated_up_to_where_it_is_broken():
    plan = load_edited({}, SHIPPED)
    assert _loads(plan) == (plan.loading.lower, 200e3)


def test_who_confirms_the_checklist_of_one_is_told_from_which_load_on_to_stay_away():
    def told(name):
        return [item for item in checklist(load_edited({}, name)) if "nobody within reach" in item]

    (broken,) = told(SHIPPED)
    assert "from 92.6 kN on" in broken  # the upper load: nobody knows more of it by then
    (static,) = told("static-ultimate.toml")
    plan = load_edited({}, "static-ultimate.toml")
    expects = capability(plan).ultimate
    assert f"from {0.8 * expects / 1e3:.1f} kN on" in static
    assert told("dry-run-out.toml") == []
