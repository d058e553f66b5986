"""What can be compared and what can't, and gains that hold on cars whose torque is known."""

from dataclasses import replace
from math import isfinite, nan
from pathlib import Path

import numpy as np
import pytest

from monitor.dyno.comparing import Comparison, compare_runs
from monitor.dyno.groups import Asked, mean_of
from monitor.dyno.runs import Run, Weather, runs_in
from rules.channels import Sample
from simulator.dyno.correction import Correction
from simulator.dyno.curves import power_kw
from simulator.logfile import mapped, write_csv
from simulator.rig import find_rig, load_rig
from simulator.strict import BadInput
from tests.kit.dyno_runs import RIG_TEXT, Drawn, driven, dyno_rig

RIG = dyno_rig()
ASKED = Asked(("dry", "spray"), True, Correction.NONE, None, 100.0, True)
CHANGE = Asked(("before", "after"), False, Correction.NONE, None, 100.0, True)
SPRAYED = Drawn(torque_nm=312.0, flow_ml_min=250.0)


def runs(folder: Path, *drawn: Drawn, seed: int = 0) -> list[Run]:
    """Return the runs of logs made so."""
    found = []
    for i, one in enumerate(drawn):
        path = one.write(folder / f"{seed}-{i}.csv", seed + i)
        kept, left_out = runs_in(path, path.name, RIG, None, Weather(nan, nan, nan), 0.6)
        assert not left_out
        found += kept
    return found


def compared(
    folder: Path, first: list[Drawn], second: list[Drawn], asked: Asked = ASKED
) -> Comparison:
    """Compare runs made so."""
    return compare_runs(asked, (runs(folder, *first), runs(folder, *second, seed=50)), ((), ()))


def refused(folder: Path, first: list[Drawn], second: list[Drawn], asked: Asked = ASKED) -> str:
    """Return why runs made so can't be compared."""
    with pytest.raises(BadInput) as caught:
        compared(folder, first, second, asked)
    return str(caught.value)


def test_a_gain_comes_with_its_interval(tmp_path: Path) -> None:
    """12 N m more: found at every speed by intervals over runs that scatter by 0.4 %."""
    found = compared(tmp_path, [Drawn()] * 4, [SPRAYED] * 4)
    assert (found.gear, found.left_out) == (3, ())
    held = [one.low <= 12.0 <= one.high for one in found.torque_gain]
    assert all(held)
    assert len(held) > 20
    # The mean of the power is that of the torque's middle, at the middle speed.
    low, high = found.between_rpm
    assert found.mean_gain is not None
    assert found.mean_gain.value == pytest.approx(power_kw(12.0, 0.5 * (low + high)), rel=0.15)
    assert found.mean_gain.low < found.mean_gain.value < found.mean_gain.high


@pytest.mark.parametrize(
    ("name", "gear", "boost_kpa"), [("wexmoor", 3, 115.0), ("brindle", 3, 98.0)]
)
def test_what_spray_gains_a_simulated_car_is_found(
    name: str, gear: int, boost_kpa: float, tmp_path: Path
) -> None:
    """From how it gains speed alone, below the dry limit: the truth lies in the intervals."""
    rig_file = load_rig(find_rig(name))
    if name == "brindle":
        text = (
            f"{rig_file.text}\n[vehicle]\nmass_kg = 1400\ndrag_area_m2 = 0.70\nfinal_drive = 3.9\n"
        )
        text += "gears = [3.40, 2.05, 1.43, 1.08, 0.86, 0.72]\ntyre_radius_m = 0.31\n"
        rig_file = dyno_rig(text)
    read: tuple[list[Run], list[Run]] = ([], [])
    truth: tuple[list[np.ndarray], list[np.ndarray]] = ([], [])
    at_rpm = np.arange(3600.0, 4900.0, 100.0)
    for which, dry in enumerate((True, False)):
        for seed in range(4):
            columns, crank_nm = driven(rig_file.rig, gear, boost_kpa, seed + 20 * which, dry=dry)
            path = tmp_path / f"{which}-{seed}.csv"
            table = np.column_stack([*columns.values(), np.full((len(crank_nm), 2), -np.inf)])
            write_csv(map(Sample._make, table.tolist()), path, mapped(rig_file.rig))
            weather = Weather(24.0, 101.3, 40.0)
            (run,), _ = runs_in(path, path.name, rig_file, gear, weather, 0.6)
            read[which].append(run)
            smooth = run.sweep.along(columns["time_s"], crank_nm)
            truth[which].append(run.sweep.by_speed({"nm": smooth}, at_rpm)["nm"])
    asked = Asked(("dry", "spray"), True, Correction.NONE, (3600.0, 4800.0), boost_kpa, True)
    found = compare_runs(asked, read, ((), ()))
    true_nm = np.mean(truth[1], axis=0) - np.mean(truth[0], axis=0)
    told = [found.torque_gain[list(found.speed_rpm).index(rpm)] for rpm in at_rpm]
    held = [one.low <= true <= one.high for one, true in zip(told, true_nm, strict=True)]
    assert np.mean(held) >= 0.85
    true_kw = float(np.mean(power_kw(true_nm, at_rpm)))
    assert true_kw > 1.0
    assert found.mean_gain is not None
    assert found.mean_gain.low <= true_kw <= found.mean_gain.high
    assert found.mean_gain.value == pytest.approx(true_kw, abs=2.0)
    # Absolute figures are as good as mass and drag, which a simulated car's rig knows.
    absolute = mean_of(found.groups[0].torque_nm)
    mean_nm = np.array([absolute[list(found.speed_rpm).index(rpm)] for rpm in at_rpm])
    assert mean_nm == pytest.approx(np.mean(truth[0], axis=0), rel=0.02)


def test_each_group_is_held_to_its_name(tmp_path: Path) -> None:
    """Spray among the dry, or none among the sprayed, is left out; before and after are free."""
    found = compared(tmp_path, [Drawn(), Drawn(), SPRAYED], [SPRAYED, SPRAYED, Drawn()])
    assert [one.why for one in found.left_out] == [
        "spray flowed, but it is to be dry",
        "no spray flowed, but it is to be sprayed",
    ]
    assert [len(group.runs) for group in found.groups] == [2, 2]
    assert "found no dry run" in refused(tmp_path, [SPRAYED], [SPRAYED])
    assert "(spray flowed, but it is to be dry)" in refused(tmp_path, [SPRAYED], [SPRAYED])
    assert not compared(tmp_path, [SPRAYED, Drawn()], [SPRAYED, Drawn()], CHANGE).left_out


def test_runs_are_compared_in_one_gear(tmp_path: Path) -> None:
    """The one that most of both have; the others are named. Without one in common: refused."""
    fourth = replace(SPRAYED, gear=4)
    found = compared(tmp_path, [Drawn(), Drawn()], [SPRAYED, SPRAYED, fourth])
    assert [one.why for one in found.left_out] == ["gear 4, compared is gear 3"]
    assert refused(tmp_path, [Drawn()], [fourth]) == (
        "compare: found dry in gear 3 and spray in gear 4, expected runs of both in one gear"
    )


def test_heat_and_weather_apart_are_not_compared(tmp_path: Path) -> None:
    """An engine soaked in heat, and another season; less is told and not refused."""
    soaked, winter = replace(SPRAYED, intake_c=45.0), replace(SPRAYED, ambient_c=2.0)
    found = compared(tmp_path, [Drawn()] * 2, [SPRAYED, soaked, winter])
    assert [one.why for one in found.left_out] == [
        "intake as it begins 45 degC, dry runs 30 degC: more than 10 K apart",
        "air outside 2 degC, dry runs 20 degC: more than 15 K apart",
    ]
    assert "found no spray run that can be compared" in refused(tmp_path, [Drawn()], [winter])
    warm = replace(SPRAYED, ambient_c=26.0, intake_c=36.0)
    doubts = " ".join(compared(tmp_path, [Drawn()] * 2, [warm] * 2).doubts)
    assert "the air outside differs (dry 20 degC, 99.0 kPa; spray 26 degC, 99.0 kPa)" in doubts
    assert "the intake is 30 degC as dry runs begin, 36 degC as spray runs do" in doubts


def test_boost_apart_is_no_gain_of_the_spray(tmp_path: Path) -> None:
    """More than 10 kPa: refused; a few: told. Between before and after it is always but told."""
    found = compared(tmp_path, [Drawn()] * 2, [replace(SPRAYED, boost_kpa=96.0)] * 2)
    assert any("boost differs by up to 6 kPa" in doubt for doubt in found.doubts)
    assert not found.boost_differs.any()
    more = [replace(SPRAYED, boost_kpa=120.0)] * 2
    assert "found boost 30 kPa or more apart at every" in refused(tmp_path, [Drawn()] * 2, more)
    both = compared(tmp_path, [Drawn()] * 2, more, CHANGE)
    assert any("the gain there is boost's as well" in doubt for doubt in both.doubts)
    assert all(isfinite(one.value) for one in both.power_gain)


def test_where_boost_differs_over_a_part_no_gain_is_told_there(tmp_path: Path) -> None:
    """And no mean over a span that holds it."""
    dry, wet = runs(tmp_path, Drawn(), Drawn()), runs(tmp_path, SPRAYED, SPRAYED, seed=50)
    for run in wet:
        run.columns["boost_kpa"][run.sweep.speed_rpm > 5000.0] += 25.0
    found = compare_runs(ASKED, (dry, wet), ((), ()))
    high = found.speed_rpm > 5100.0
    assert found.boost_differs[high].all()
    assert not found.boost_differs[found.speed_rpm < 4900.0].any()
    assert found.mean_gain is None
    assert any("no gain is told there" in doubt for doubt in found.doubts)
    low = compare_runs(ASKED._replace(between_rpm=(3500.0, 4500.0)), (dry, wet), ((), ()))
    assert low.mean_gain is not None


def test_too_little_in_common_is_refused(tmp_path: Path) -> None:
    """Runs through other speeds say nothing of each other."""
    low, high = Drawn(high_rpm=4500.0), replace(SPRAYED, low_rpm=4200.0)
    why = refused(tmp_path, [low], [high])
    assert why.endswith("expected 1000 rpm or more that both go through")
    assert "found dry 3091 to 4400 rpm and spray 4309 to 5885 rpm" in why


def test_few_runs_are_told(tmp_path: Path) -> None:
    """One: no interval at all. Two: a wide one. Three say nothing of it."""
    single = compared(tmp_path, [Drawn()], [SPRAYED] * 3)
    assert single.doubts[0].startswith("one dry run: nothing tells how far runs scatter")
    assert not any(isfinite(one.low) for one in single.power_gain)
    two = compared(tmp_path, [Drawn()] * 2, [SPRAYED] * 3)
    assert two.doubts[0].startswith("two dry runs: intervals are wide")
    three = compared(tmp_path, [Drawn()] * 3, [SPRAYED] * 3)
    assert not [doubt for doubt in three.doubts if "runs: " in doubt]


def test_a_stated_gear_that_cannot_be_is_told(tmp_path: Path) -> None:
    """Where the log tells none, runs in another gear than --gear's give themselves away."""
    first = runs(tmp_path, Drawn(), Drawn(torque_nm=390.0))
    stated = [replace(run, gear_stated=True) for run in first]
    wet = runs(tmp_path, SPRAYED, seed=50)
    doubts = compare_runs(ASKED, (stated, wet), ((), ())).doubts
    assert any("not all of them can be in the gear that --gear states" in one for one in doubts)
    assert not any("--gear" in one for one in compare_runs(ASKED, (first, wet), ((), ())).doubts)


def test_a_copy_of_a_log_counts_once(tmp_path: Path) -> None:
    """Copies scatter by nothing, and would make any gain look sure."""
    once = runs(tmp_path, Drawn(), Drawn())
    again = [replace(once[0], log="copy.csv")]
    found = compare_runs(ASKED, (once + again, runs(tmp_path, SPRAYED, seed=50)), ((), ()))
    assert [one.why for one in found.left_out] == ["the same as a run of 0-0.csv: a copy"]


def test_means_are_over_the_span_that_is_asked_for(tmp_path: Path) -> None:
    """A run that doesn't go so far isn't in them, and is named; torque stays."""
    short = replace(SPRAYED, high_rpm=5000.0)
    asked = ASKED._replace(between_rpm=(3500.0, 5500.0))
    found = compared(tmp_path, [Drawn()] * 2, [SPRAYED, SPRAYED, short], asked)
    assert np.isfinite(found.means[1]).tolist() == [True, True, False]
    assert "not in the means, as they don't span that: runs of 50-2.csv" in found.doubts
    assert found.groups[1].counts[0] == 3


def test_a_correction_is_per_run_and_within_its_limits(tmp_path: Path) -> None:
    """Each run's own air; what lies outside is left out; what isn't known is refused."""
    asked = ASKED._replace(method=Correction.J1349)
    cool = replace(SPRAYED, ambient_c=16.0)
    found = compared(tmp_path, [Drawn()] * 2, [SPRAYED, cool, replace(cool, ambient_c=10.0)], asked)
    assert found.groups[0].factors[0] > found.groups[1].factors[1]
    assert found.left_out[0].why.startswith("j1349 does not hold there: air of 10.0 degC")
    base = compared(tmp_path, [Drawn()] * 2, [SPRAYED] * 2)
    f = found.groups[0].factors[0]
    k = list(found.speed_rpm).index(4500.0), list(base.speed_rpm).index(4500.0)
    assert found.groups[0].torque_nm[0, k[0]] == pytest.approx(
        f * base.groups[0].torque_nm[0, k[1]]
    )
    unknown = replace(SPRAYED, left_out=("humidity_pct", "barometer_kpa"))
    why = refused(tmp_path, [Drawn()], [unknown], asked)
    assert why.startswith("--correct j1349: found no [extra.barometer_kpa] or --barometer and no ")


def test_a_dry_run_above_the_dry_limit_is_cautioned_about(tmp_path: Path) -> None:
    """The engine doesn't hold that boost without spray."""
    hot = compared(tmp_path, [Drawn(boost_kpa=130.0)] * 2, [replace(SPRAYED, boost_kpa=130.0)] * 2)
    assert [one[:22] for one in hot.cautions] == ["dry runs reach 130 kPa"]
    assert compared(tmp_path, [Drawn()], [SPRAYED]).cautions == ()


def test_what_is_not_read_is_told_and_not_guessed(tmp_path: Path) -> None:
    """No boost, no flow, no weather in the log: three sentences, and a comparison."""
    dry = [replace(one, sprayed=None) for one in runs(tmp_path, Drawn(), Drawn())]
    wet = [replace(one, weather=Weather(nan, nan, nan)) for one in runs(tmp_path, SPRAYED, seed=9)]
    for run in dry:
        run.columns["boost_kpa"][:] = nan
    doubts = compare_runs(ASKED, (dry, wet), ((), ())).doubts
    assert "boost is not read in all of them: whether it differs can't be told" in doubts
    assert "the air outside is not known in all runs: whether it differs can't be told" in doubts
    assert "no channel tells whether spray flowed: which runs were dry is as you say" in doubts


def test_a_wrong_mass_hardly_moves_the_gain_in_percent(tmp_path: Path) -> None:
    """A tenth more mass is nearly a tenth more torque; what is gained of it stays the same."""
    slow = Drawn(left_out=("torque_nm",))
    quick = replace(slow, high_rpm=6150.0, flow_ml_min=200.0)
    torque, share = [], []
    for mass in ("1400", "1540"):
        rig = dyno_rig(RIG_TEXT.replace("mass_kg = 1400", f"mass_kg = {mass}"))
        read: list[list[Run]] = []
        for which, one in enumerate((slow, quick)):
            path = one.write(tmp_path / f"{which}.csv", which)
            read.append(runs_in(path, path.name, rig, None, Weather(nan, nan, nan), 0.6)[0])
        found = compare_runs(ASKED, (read[0], read[1]), ((), ()))
        assert found.mean_gain is not None
        torque.append(float(np.mean(mean_of(found.groups[0].torque_nm))))
        share.append(found.mean_gain.value / float(np.mean(found.means[0])))
    assert 1.07 < torque[1] / torque[0] < 1.1
    assert share[0] == pytest.approx(0.043, abs=0.02)
    assert share[1] == pytest.approx(share[0], rel=0.03)


def test_of_two_runs_a_heat_soaked_one_is_left_out(tmp_path: Path) -> None:
    """Nobody can tell which is usual: the cooler is; it stays."""
    found = compared(tmp_path, [Drawn(intake_c=60.0), Drawn()], [SPRAYED])
    assert [run.start_intake_c for run in found.groups[0].runs] == [30.0]
    assert "intake as it begins 60 degC, dry runs 30 degC" in found.left_out[0].why
