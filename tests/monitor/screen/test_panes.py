"""The dashboard's parts: colours and their contrast, drawing, text, traces."""

import asyncio
import subprocess
import sys
import unicodedata
from math import isnan, nan

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some
from rich.cells import cell_len

from monitor.attach.message_parts import DecisionHead
from monitor.attach.protocol import Bye, CauseLine, Command, Ending, Message, Notice
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.screen.panes.detail import explanation_in
from monitor.screen.panes.spray_path import PARTS, suspicion
from monitor.screen.picture import Picture, likely_in_words
from monitor.screen.raster import reach
from monitor.screen.trace import Trace
from monitor.source_facts import SourceKind
from monitor.words.literal import or_nan, plain, wrapped
from rules.causes.known import CAUSE_NAMES, NONE_OF_THESE, NOTHING_WRONG
from tests.kit.patience import PATIENCE_S
from tests.kit.screen_messages import cause, statistics
from tests.kit.screen_script import Clock, hello, tell, text_of

CALM = "No action: 500 of 500 mL/min arrive at 150 kPa boost."
HOSTILE = (
    "[@click=app.quit]x[/]",
    "[/] x",
    "\x1b]0;owned\x07title\x1b[2J",
    "a\x9b31mb\x85c",
    "word " * 500,
    "W" * 5000,
    "\u202eright to left\u202c \u05e9\u05dc\u05d5\u05dd \u2066x\u2069",
    "\u6c34\u55b7\u5c04" * 60,
    "e" + "\u0301" * 50,
    "\U0001f468\u200d\U0001f527 \ufe0f \ud800 \u2028 \x00",
)


# --- the parts ----------------------------------------------------------------------------------


def test_a_gap_is_not_joined() -> None:
    """Samples more than 0.3 s apart, and unknown ones, leave empty columns between them."""
    times_s = np.array([0.0, 0.1, 0.2, 0.9, 1.0, 1.1, 1.2, 1.3])
    values = np.array([1.0, 1.0, 1.0, 3.0, 3.0, nan, 3.0, 3.0])
    line = reach(times_s, values, 0.0, 1.4, 14)
    seen = ~np.isnan(line.low)
    assert seen.tolist() == [True] * 3 + [False] * 6 + [True] * 2 + [False] + [True] * 2
    assert line.high[9] == 3.0


def test_neighbours_are_joined_and_extremes_kept() -> None:
    """Sparse samples make a line; many samples in a column show their lowest and highest."""
    line = reach(np.array([0.0, 0.25]), np.array([0.0, 10.0]), 0.0, 0.25, 10)
    assert line.low.tolist() == pytest.approx(np.arange(10.0).tolist())
    assert line.high.tolist() == pytest.approx(np.arange(1.0, 11.0).tolist())
    spike = np.zeros(1000)
    spike[501] = 7.0
    line = reach(np.linspace(0.0, 9.99, 1000), spike, 0.0, 10.0, 20)
    assert np.nanmax(line.high) == 7.0
    assert int(np.nanargmax(line.high)) == 10


@given(
    some.lists(some.tuples(some.floats(0, 0.5), some.one_of(some.floats(-9, 9), some.just(nan)))),
    some.floats(-5.0, 20.0),
    some.integers(1, 40),
)
def test_no_line_leaves_the_range_of_its_samples(
    steps: list[tuple[float, float]], from_s: float, columns: int
) -> None:
    """Whatever the times and gaps, a drawn column lies between the lowest and highest sample."""
    times_s = np.cumsum([step for step, _ in steps], dtype=np.float64)
    values = np.array([value for _, value in steps], dtype=np.float64)
    line = reach(times_s, values, from_s, from_s + 3.0, columns)
    known = values[~np.isnan(values)]
    assert line.low.shape == line.high.shape == (columns,)
    assert np.array_equal(np.isnan(line.low), np.isnan(line.high))
    if not len(known):
        assert np.isnan(line.low).all()
    drawn = line.low[~np.isnan(line.low)]
    assert (drawn <= line.high[~np.isnan(line.low)]).all()
    assert (drawn >= known.min(initial=np.inf) - 1e-9).all()


def test_a_trace_is_bounded_and_takes_no_nonsense() -> None:
    """Old rows go, odd rows are left out, and a clock that steps back starts the picture anew."""
    trace = Trace(["time_s", "x"], capacity=10)
    for i in range(100):
        trace.add([[float(i), float(-i)]])
    assert trace.column("x").tolist() == [float(-i) for i in range(90, 100)]
    trace.add([[1e3 + i, 0.0] for i in range(500)])
    assert len(trace) == 10
    assert trace.newest("time_s") == 1499.0
    trace.add([[2000.0, None], [nan, 1.0], [2001.0], [None, 2.0], [2002.0, float("inf")]])
    assert trace.column("time_s")[-2:].tolist() == [2000.0, 2002.0]
    assert np.isnan(trace.column("x")[-2:]).all()
    trace.add([[5.0, 5.0]])
    assert trace.column("time_s").tolist() == [5.0]
    assert np.isnan(trace.column("y")).all()
    assert trace.column("x", since_s=-1.0).tolist() == [5.0]
    Trace([]).add([[1.0]])


@given(some.text())
def test_plain_text_steers_nothing(text: str) -> None:
    """No control, format, surrogate or separator character survives, and the length is bounded."""
    shown = plain(text, 40)
    assert len(shown) <= 40
    kinds = {unicodedata.category(char) for char in shown}
    assert not kinds & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert plain(shown, 40) == shown


@given(some.text(), some.integers(1, 60), some.integers(1, 5))
def test_wrapped_text_fits(text: str, width: int, lines: int) -> None:
    """Every wrapped line fits the width, and there are no more than asked for."""
    made = wrapped(text, width, lines)
    assert 1 <= len(made) <= lines
    assert all(cell_len(line) <= width for line in made)


def test_numbers_out_of_messages_are_finite_or_unknown() -> None:
    """What is not known travels as null, and reads as not a number; JSON has no others."""
    assert or_nan(1.0) == 1.0
    assert isnan(or_nan(None))
    for odd in (b"NaN", b"Infinity", b"1e999", b"true", b'"1"'):
        with pytest.raises(msgspec.MsgspecError):
            msgspec.json.decode(b'{"debt_ml":' + odd + b"}", type=DecisionHead)


def test_panes_do_not_know_the_application() -> None:
    """Importing every pane in a fresh interpreter brings in neither the application nor a guard."""
    code = (
        "import sys, pkgutil, importlib, monitor.screen.panes as panes\n"
        "[importlib.import_module(f'{panes.__name__}.{m.name}')"
        " for m in pkgutil.iter_modules(panes.__path__)]\n"
        "odd = {'monitor.screen.app', 'monitor.guard.loop', 'monitor.attach.client'}\n"
        "odd &= set(sys.modules)\n"
        "sys.exit(f'found {odd}' if odd else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.asyncio
async def test_the_fake_link_behaves_as_a_link() -> None:
    """It yields what it is fed, in order, notes what it is told, and breaks when asked."""
    link = FakeLink()
    link.feed(Notice("a", "1"), Notice("b", "2"))
    link.end(ConnectionResetError("gone"))
    heard: list[Message] = []
    async with link as attached:
        attached.send(Command("acknowledge"))
        words = attached.messages()
        heard += [await anext(words), await anext(words)]
        with pytest.raises(ConnectionResetError):
            await anext(words)
    assert heard == [Notice("a", "1"), Notice("b", "2")]
    assert link.sent == [Command("acknowledge")]
    await asyncio.wait_for(link.taken(), PATIENCE_S)


def test_an_explanation_never_loses_its_end() -> None:
    """Whole where it fits; else the reason alone, to its end; cut only where even that can't be."""
    reason = "evidence 17 of 16: no car would read 300 of 500 mL/min at 150 kPa boost; all: here"
    text = f"{reason}: pull 5.5 deg of timing."
    assert explanation_in(text, 200, 2) == [text]
    for width in (45, 50, 60):
        lines = explanation_in(text, width, 2)
        assert len(lines) <= 2
        assert all(cell_len(line) <= width for line in lines)
        assert " ".join(lines) in (text, f"{reason}.")
    assert explanation_in(text, 45, 2) != [text]
    limited = "evidence 17 of 16: 0.41 s missing, 0.40 s cut boost: cut boost to 100 kPa."
    assert explanation_in(limited, 40, 1) == ["evidence 17 of 16: 0.41 s missing."]
    assert explanation_in("no colon at all here", 8, 1) == ["no colo…"]
    assert explanation_in(f"why: {'long ' * 20}", 10, 1) == ["why."]


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("source", "end", "said", "last"),
    [
        ("simulated car, x", Ending.SOURCE_ENDED, "The log is over; q quits.", "The log is over."),
        (
            "a.csv, recorded",
            Ending.SOURCE_ENDED,
            "The simulated drive is over; q quits.",
            "The simulated drive is over.",
        ),
        ("source ended", Ending.FAILED, "The guard is gone; q quits.", "Guard gone: failed: x."),
        ("a.csv", None, "The guard goes on; d leaves it to that, q quits.", "Detached"),
    ],
)
async def test_too_small_a_terminal_says_how_it_ended(
    source: str, end: Ending | None, said: str, last: str
) -> None:
    """Without room for the picture, an end reads as an end and a failure as one, by no name."""
    kind = SourceKind.SIMULATED if "simulated" in said else SourceKind.RECORDED
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    async with app.run_test(size=(60, 20)) as pilot:
        greeting = hello(source=source, source_kind=kind, session=None)
        told: list[Message] = [greeting, *([Bye(end, "x", statistics())] if end else [])]
        await tell(app, link, clock, [(100.0, told)], 100.1)
        await pilot.pause()
        shown = text_of(app)
        assert said in " ".join(shown.split())
        assert ("GUARD GONE" in shown) is (end is Ending.FAILED)
        await pilot.press("q")
    assert str(app.return_value).startswith(last)


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("width", "said"),
    [(80, "simulated car obeys"), (140, "simulated car, pump_stop: obeys what is decided")],
)
async def test_a_simulated_car_is_said_to_obey(width: int, said: str) -> None:
    """No output is driven, but this one source does what is decided, and the screen says so."""
    for kind in SourceKind:
        greeting = hello(source="simulated car, pump_stop", source_kind=kind)
        link, clock = FakeLink(), Clock()
        app = Dashboard(lambda link=link: link, owner=True, clock=clock)  # type: ignore[misc]
        async with app.run_test(size=(width, 40)) as pilot:
            await tell(app, link, clock, [(100.0, [greeting])], 100.1)
            await pilot.pause()
            assert (said in text_of(app)) is (kind is SourceKind.SIMULATED)
            assert "advises only: no output is driven" in text_of(app)


def test_likely_causes_are_worded() -> None:
    """Labels, shares and the first reasons; hostile text is taken out."""
    causes = [
        cause("clog", "clogged nozzle", 0.9, "line up 3 %", "flow 60 %"),
        cause("pump", "weak\x1b[2J pump", 0.05),
    ]
    named = "Likely clogged nozzle 90 %, weak[2J pump 5 %"
    assert likely_in_words(causes, " (now)") == [
        f"{named}: line up 3 %; flow 60 % (now).",
        f"{named}: line up 3 % (now).",
        f"{named} (now).",
        "Likely clogged nozzle 90 % (now).",
    ]
    assert likely_in_words([]) == []


# --- the way of the spray -----------------------------------------------------------------------


def test_every_known_cause_has_its_place_on_the_way() -> None:
    """A cause that is known and sits nowhere would be suspected and not shown."""
    placed = {cause for part in PARTS for cause in part.causes}
    assert placed == frozenset(CAUSE_NAMES) - {NOTHING_WRONG, NONE_OF_THESE}


def test_suspicion_sits_in_the_part_of_its_causes() -> None:
    """Shares of one part add up; a cause that sits nowhere on the way is left out."""
    picture = Picture(0.0)
    picture.take(
        CauseLine(
            1.0,
            [
                cause("pump", "", 0.5),
                cause("supply_low", "", 0.2),
                cause("clog", "", 0.1),
                cause("other", "", 0.1),
            ],
        ),
        0.0,
    )
    shares = dict(zip([part.word for part in PARTS], suspicion(picture), strict=True))
    assert shares["pump"] == pytest.approx(0.7)
    assert shares["nozzles"] == pytest.approx(0.1)
    assert sum(shares.values()) == pytest.approx(0.8)
