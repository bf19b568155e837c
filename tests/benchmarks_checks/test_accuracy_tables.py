"""The table of an accuracy run says what is wrong with a run whose flaw is known."""

from __future__ import annotations

import pytest

from tests.benchmarks.accuracy.judged import (
    breached,
    clean_lines,
    silent_lines,
    withheld_lines,
    worst_lines,
)
from tests.benchmarks.accuracy.strata import stratum_lines
from tests.benchmarks.accuracy.tables import overall_lines, summary, target_lines
from tests.benchmarks.accuracy.truths import conditions_of
from tests.benchmarks_checks.made import a_finding, a_row, refused


def failing(lines):
    return [line.text.strip() for line in lines if line.verdict == "FAIL"]


def test_an_honest_run_holds_every_line(rows):
    text = summary(rows, first_seed=7000)
    assert "FAIL" not in text
    assert " 0 do not" in text
    assert text.count(" pass\n") > 30


@pytest.mark.parametrize(("factor", "why"), [(0.4, "covered"), (2.0, "covered, width/err")])
@pytest.mark.parametrize("name", ["along", "skull", "suture"])
def test_intervals_that_are_too_narrow_or_too_wide(rows, name, factor, why):
    for row in rows:
        for side in row["sides"].values():
            side[f"{name}_sd_mm"] *= factor
    bad = failing(overall_lines(rows))
    assert len(bad) == 1
    assert name in bad[0]
    assert bad[0].endswith(why)


def test_one_stratum_that_is_too_sure_of_itself(rows):
    for row in rows:
        if row["slice_mm"] == 1.25:
            for side in row["sides"].values():
                side["scalp_sd_mm"] *= 0.6
    bad = failing(stratum_lines(rows))
    assert any(text.startswith("1.25  ") and "!" in text for text in bad)
    assert not any(text.startswith(("0.5  ", "1  ")) for text in bad)
    few = [line for line in stratum_lines(rows[:60]) if line.text.strip().startswith("1.25  ")]
    assert [line.verdict for line in few] == ["few"]
    assert "!" in few[0].text


def test_errors_over_their_targets(rows):
    for row in rows[:30]:
        row["sides"]["left"]["skull_mm"] = 0.7
    rows[3]["plane_mm"] = 1.6
    bad = failing(target_lines(rows))
    assert [text.split()[0] for text in bad] == ["skull", "plane"]
    for row in rows:
        row["slice_mm"] = 2.0
    assert not failing(target_lines(rows))


SILENT = {"skull_mm": 2.5, "scalp_mm": 3.5, "along_mm": 3.2, "midline_mm": -3.2}


@pytest.mark.parametrize("name", sorted(SILENT))
def test_a_silent_failure_is_found_with_its_seed(rows, name):
    rows[11]["sides"]["left"][name] = SILENT[name]
    lines = silent_lines(rows)
    assert len(failing(lines)) >= 2
    assert any("seed 7011" in line.text and " left " in line.text for line in lines)


def test_a_finding_excuses_only_the_figure_that_it_names(rows):
    side = rows[11]["sides"]["left"]
    side["skull_mm"] = 2.5  # over three spreads, over 1 mm and over three times its limit
    assert len(failing(silent_lines(rows))) == 3
    side["said"] = [a_finding("coarse-slices", "note", "thickness.skull_mm")]
    assert len(failing(silent_lines(rows))) == 3
    rows[11]["said"] = [a_finding("noise", "caution", "thickness.scalp_mm")]
    assert len(failing(silent_lines(rows))) == 2
    for named in ("thickness.skull_mm", "thickness"):
        side["said"] = [a_finding("frontal-sinus", "caution", named)]
        assert not failing(silent_lines(rows))


def test_a_wide_interval_does_not_excuse_three_times_the_limit(rows):
    rows[4]["sides"]["right"] |= {"suture_nearest_mm": 9.5, "suture_sd_mm": 7.0}
    assert [text.split(",")[0] for text in failing(silent_lines(rows))] == [
        "over 3 times its limit"
    ]
    rows[4]["sides"]["right"]["suture_how"] = "estimated"
    assert not failing(silent_lines(rows))


def test_a_drill_stop_past_the_bone(rows):
    for row in rows[:4]:
        row["sides"]["right"]["start_on_bone_mm"] = 7.0
    bad = failing(silent_lines(rows))
    assert len(bad) == 1
    assert bad[0].startswith("drill stop set past the thinnest true bone near the path: 4 of 360")


def test_figures_withheld_are_counted_with_what_withheld_them(rows):
    stop = a_finding("bone-missing", "stop", "thickness.skull_mm", limit=8.0)
    for row in rows[:12]:
        for side in row["sides"].values():
            side["skull_mm"] = None
            side["said"] = [stop]
    lines = withheld_lines(rows)
    assert [text.split(":")[0] for text in failing(lines)] == ["skull"]
    assert any("24 figures by bone-missing" in line.text for line in lines)
    for row in rows[:12]:  # the truth has no bone there: rightly withheld
        for true in row["true"]["sides"].values():
            true["skull_mm"] = None
    assert not failing(withheld_lines(rows))


def test_a_refused_head_withholds_all_its_figures(rows):
    rows[:12] = [refused(row) for row in rows[:12]]
    lines = withheld_lines(rows)
    assert len(failing(lines)) == 6
    assert any("120 figures by refused: The profile shows no hollow" in line.text
               for line in lines)
    for row in rows[:6]:
        row["slice_mm"] = 3.0
    for row in rows[6:12]:
        row["true"]["nasion_in_view"] = False
    assert not failing(withheld_lines(rows))


def test_a_side_without_figures_is_withheld(rows):
    for row in rows[:12]:
        del row["sides"]["left"]
        row["missing"]["left"] = [a_finding("side-not-measured", "stop")]
    lines = withheld_lines(rows)
    assert len(failing(lines)) == 6
    assert any("60 figures by side-not-measured" in line.text for line in lines)


def test_alarms_about_nothing_on_heads_with_nothing_planted(rows):
    margin = a_finding("suture-margin", "caution", "clearance.suture_nearest_mm", limit=10.0)
    healthy = [row for row in rows if not row["conditions"]]
    for row in healthy[:10]:
        row["sides"]["left"]["said"] = [margin]
    assert len(failing(clean_lines(rows))) == 2
    for row in healthy[:10]:
        row["true"]["sides"]["left"]["suture_mm"] = 11.0
    assert [text.split(",")[0] for text in failing(clean_lines(rows))] == [
        "caution or stop that the truth does not breach"
    ]
    for row in healthy[:10]:
        row["true"]["sides"]["left"]["suture_mm"] = 9.0
    assert not failing(clean_lines(rows))


def test_stops_and_refusals_on_heads_with_nothing_planted(rows):
    healthy = [i for i, row in enumerate(rows) if not row["conditions"]]
    for i in healthy[:2]:
        rows[i] = refused(rows[i])
    bad = failing(clean_lines(rows))
    assert len(bad) == 1
    assert bad[0].startswith("with any stop: 2")


@pytest.mark.parametrize(
    ("code", "level", "limit", "change", "said"),
    [
        ("skull-thin", "caution", 4.0, {"skull_mm": 3.9}, "truth"),
        ("skull-thin", "caution", 4.0, {"skull_mm": 4.02}, "odds"),
        ("skull-thin", "caution", 4.0, {"skull_mm": 7.0}, ""),
        ("sinus-envelope", "stop", 0.0, {"sinus_mm": -1.0}, "truth"),
        ("sinus-envelope", "stop", 0.0, {"sinus_mm": 0.4}, ""),
        ("sinus-envelope", "caution", 0.0, {"sinus_mm": 0.4}, "odds"),
        ("scalp-swelling", "caution", 4.0, {"scalp_mm": 11.0}, "truth"),
        ("scalp-swelling", "caution", 4.0, {"scalp_mm": 7.0}, ""),
        ("bone-missing", "stop", 8.0, {"skull_mm": None}, "truth"),
        ("bone-missing", "stop", 8.0, {}, ""),
        ("frontal-sinus", "caution", None, {"air_mm": 2.0}, "truth"),
        ("frontal-sinus", "caution", None, {"air_mm": 7.5}, ""),
        ("tilt", "caution", 5.0, {}, ""),
    ],
)
def test_a_finding_against_the_truth(code, level, limit, change, said):
    row = a_row(1)
    row["true"]["sides"]["left"] |= change
    assert breached(row, "left", a_finding(code, level, limit=limit)) == said


@pytest.mark.parametrize(
    ("code", "limit", "change", "said"),
    [
        ("coarse-slices", 2.5, {"slice_mm": 5.0}, "truth"),
        ("coarse-slices", 2.5, {"slice_mm": 1.0}, ""),
        ("measure-unusual", 225.0, {"length_mm": 197.0}, ""),
        ("measure-unusual", 225.0, {"length_mm": 226.0}, "truth"),
        ("noise", 40.0, {"noise_hu": 90.0}, "truth"),
        ("noise", 40.0, {"noise_hu": 20.0}, ""),
        ("stored-values", None, {"stored_as": "clipped"}, "truth"),
        ("stored-values", None, {}, ""),
    ],
)
def test_a_finding_of_the_whole_head_against_the_truth(code, limit, change, said):
    assert breached(a_row(1) | change, None, a_finding(code, "caution", limit=limit)) == said


def test_the_worst_head_comes_first(rows):
    rows[20]["sides"]["right"]["scalp_mm"] = 2.2
    rows[40]["sides"]["left"]["skull_mm"] = 1.5
    lines = worst_lines(rows)
    assert len(lines) == 10
    assert lines[0].text.startswith("    2.5  seed 7040, 1 mm slices, ")
    assert "skull left 1.50, SD 0.06, 2.5 x limit; no finding" in lines[0].text
    assert lines[1].text.startswith("    2.2  seed 7020, 1.25 mm slices, ")


def test_a_run_with_nothing_in_it():
    assert "0 random heads" in summary([], first_seed=1)


def test_conditions_out_of_the_parts_of_a_name():
    from entrypoint.phantoms.conditions.catalogue import CONDITIONS

    for one, other in (("closed-suture", "thin"), ("air", "no-frontal-sinus"), ("plate", "hair")):
        assert conditions_of(f"{one}-{other}".split("-"), CONDITIONS) == [one, other]
