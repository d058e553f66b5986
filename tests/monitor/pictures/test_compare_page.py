"""A comparison as a page: what it says, what is drawn, and that hostile names do nothing."""

from dataclasses import replace
from pathlib import Path

from monitor.dyno.runs import LeftOut
from monitor.pictures.compare_page import as_page
from monitor.words.units import METRIC, US
from tests.kit.dyno_runs import Drawn
from tests.monitor.dyno.test_comparing import SPRAYED, compared
from tests.monitor.pictures.test_page import HOSTILE, SEEN, Elements, drawn


def test_a_page_shows_gain_curves_and_runs(tmp_path: Path) -> None:
    """Three plots along engine speed, zoomed together; bands; each run named where pointed at."""
    page = as_page(compared(tmp_path, [Drawn()] * 3, [SPRAYED] * 3), "Small", US)
    (curves, layout), (beside, _), (runs, _) = drawn(page)
    titles = [note["text"] for note in layout["annotations"]]
    assert [title.split("</b>")[0][3:] for title in titles] == [
        "power, hp", "torque, lb ft", "gain in power, hp"
    ]  # fmt: skip
    assert len(curves) == 3 * 5  # each with both edges of its band
    assert {line["name"] for line in beside} == {"dry", "spray"}
    assert [line["name"] for line in runs][:2] == ["dry 1, 0-0.csv", "dry 2, 0-1.csv"]
    figures = [a for tag, a in Elements(page).found if tag == "figure"]
    assert [figure["data-link"] for figure in figures] == ["speed"] * 3
    assert any("mean power 3" in text for text in Elements(page).texts)


def test_single_runs_have_no_bands(tmp_path: Path) -> None:
    """And the gain says that it isn't sure."""
    page = as_page(compared(tmp_path, [Drawn()], [SPRAYED]), "Small", METRIC)
    curves, layout = drawn(page)[0]
    assert len(curves) == 5
    assert "not sure" in layout["annotations"][2]["text"]


def test_where_boost_differs_is_shaded(tmp_path: Path) -> None:
    """Half a step to either side, stretch by stretch, and it is said."""
    found = compared(tmp_path, [Drawn()] * 2, [SPRAYED] * 2)
    found.boost_differs[2:4] = True
    found.boost_differs[-1] = True
    page = as_page(found, "Small", METRIC)
    shapes = [s for s in drawn(page)[0][1]["shapes"] if s["type"] == "rect"]
    speeds = found.speed_rpm
    assert [(s["x0"], s["x1"]) for s in shapes] == [
        (speeds[2] - 50.0, speeds[3] + 50.0),
        (speeds[-1] - 50.0, speeds[-1] + 50.0),
    ]
    assert "shaded: boost differs, no gain is told" in page


def test_names_are_shown_as_they_are(tmp_path: Path) -> None:
    """Of rig and logs; a caution stands where nobody misses it."""
    plain, hostile = (
        replace(
            compared(tmp_path, [Drawn()], [SPRAYED]),
            left_out=(LeftOut(name, 1.0, 2.0, 0.0, name),),
            doubts=(name,),
            cautions=(name,),
        )
        for name in ("a", HOSTILE)
    )
    one, other = as_page(plain, "a", METRIC), as_page(hostile, HOSTILE, METRIC)
    assert [tag for tag, _ in Elements(one).found] == [tag for tag, _ in Elements(other).found]
    found = Elements(other)
    assert sum(SEEN in text for text in found.texts) == 6
    assert sum(a.get("class") == "caution" for _, a in found.found) == 2
