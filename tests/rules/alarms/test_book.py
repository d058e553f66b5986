"""The life cycle of alarms: its table, and the book that follows it."""

from typing import Any

import pytest

import rules.alarms.book
from rules.alarms.alarm import AlarmState, Answer, Mover, Priority, Refusal, Transition
from rules.alarms.book import COMMANDS, REASONS, TABLE, AlarmBook, Input, Standing
from rules.findings import FINDINGS
from rules.step.state import FINDING_NAMES
from tests.kit.rigs import NAN, Drive, rig

N, U, A, R, LU, LA, SHELVED, BY_DESIGN, OUT = AlarmState
INF = float("inf")
NAMES = ("pump", "tank", "knock")
QUIET = (0.0, 0.0, 0.0)
WARN = (1.0, 0.0, 0.0)
CUT = (3.0, 0.0, 0.0)
AT_ONCE, DELAYED = 0.0, 2.0
SHELF_S = 60.0


def book(off_delay_s: float = AT_ONCE) -> AlarmBook:
    """Return a book of three alarms; the first is suppressed below onset."""
    return AlarmBook(NAMES, {"pump": True, "knock": False}, off_delay_s, SHELF_S)


def moves(transitions: tuple[Transition, ...]) -> list[tuple[float, str, AlarmState, AlarmState]]:
    """Return time, alarm, before and after of each."""
    return [(t.time_s, t.alarm, t.before, t.after) for t in transitions]


def state_of(of: AlarmBook, name: str = "pump") -> AlarmState:
    """Return one alarm's state."""
    return next(view.state for view in of.alarms() if view.alarm == name)


def rings(made: AlarmBook) -> bool:
    """Return whether the bell should ring."""
    return made.sounding


def command(to: AlarmBook, what: Input, time_s: float, name: str | None = "pump") -> Answer:
    """Give a command; a shelf is one of 30 s."""
    return to.command(time_s, what, name, for_s=30.0)


def in_state(state: AlarmState) -> AlarmBook:
    """Return a book whose first alarm is in this state, at 5 s."""
    made = book()
    steps: dict[AlarmState, tuple[Any, ...]] = {
        N: (),
        U: (WARN,),
        A: (WARN, Input.ACKNOWLEDGE),
        R: (WARN, QUIET),
        LU: (CUT, QUIET),
        LA: (CUT, QUIET, Input.ACKNOWLEDGE),
        SHELVED: (Input.SHELVE,),
        OUT: (Input.TAKE_OUT_OF_SERVICE,),
    }
    for step in steps.get(state, ()):
        if isinstance(step, Input):
            assert not command(made, step, 5.0).refusals
        else:
            made.feed(5.0, step)
    if state is BY_DESIGN:
        made.feed(5.0, QUIET, suppressed=True)
    assert state_of(made) is state
    return made


def documented() -> dict[tuple[AlarmState, Input], tuple[AlarmState, ...]]:
    """Read the table in the docstring."""
    found: dict[tuple[AlarmState, Input], tuple[AlarmState, ...]] = {}
    for line in (rules.alarms.book.__doc__ or "").splitlines():
        cells = [cell.strip() for cell in line.strip("| ").split("|")]
        if len(cells) != 7 or cells[0] in ("state", "---"):
            continue
        if cells[0].startswith("any"):
            but = {AlarmState(word) for word in cells[0][8:].split(", ") if word in set(AlarmState)}
            states = [state for state in AlarmState if state not in but]
        else:
            states = [AlarmState(word) for word in cells[0].split(", ")]
        for word in cells[1].split(", "):
            what = Input(word)
            for state in states:
                if cells[2] == "as condition":
                    found.setdefault((state, what), found[state, Input.CONDITION])
                elif cells[2] == "-":
                    found[state, what] = (state,) * 5
                else:
                    found[state, what] = tuple(AlarmState(cell) for cell in cells[2:])
    return found


def test_the_states_are_those_of_the_standard() -> None:
    """The nine states of ANSI/ISA-18.2-2016 and IEC 62682, in our words."""
    assert {str(state) for state in AlarmState} == {
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned unacknowledged",
        "latched unacknowledged",
        "latched acknowledged",
        "shelved",
        "suppressed by design",
        "out of service",
    }


def test_the_documented_table_is_the_table() -> None:
    """The docstring's table and the data are the same, cell by cell."""
    assert documented() == dict(TABLE)


@pytest.mark.parametrize("what", Input)
@pytest.mark.parametrize("state", AlarmState)
def test_every_state_answers_every_input(state: AlarmState, what: Input) -> None:
    """Each pair moves to a state by each standing, or is refused with a reason, never both."""
    moves_to, refused = TABLE.get((state, what)), REASONS.get((state, what))
    if what is Input.EXPIRY and state is not SHELVED:
        assert moves_to is None
        assert refused is None  # only a shelf expires
        return
    assert (moves_to is None) is (refused is not None)
    if moves_to is None:
        assert what in COMMANDS
        return
    assert len(moves_to) == len(Standing)
    if state in (LU, LA) and what not in (Input.RESET, Input.SHELVE, Input.TAKE_OUT_OF_SERVICE):
        assert set(moves_to) <= {U, A, LU, LA}
    if what is not Input.ACKNOWLEDGE and state not in (A, LA):
        assert not {A, LA} & set(moves_to)
    if state in (SHELVED, OUT) and what in (Input.CONDITION, Input.ESCALATION):
        assert set(moves_to) == {state}


@pytest.mark.parametrize("what", COMMANDS)
@pytest.mark.parametrize("state", AlarmState)
def test_the_book_follows_the_table(state: AlarmState, what: Input) -> None:
    """Every command in every state, through the book: the table's move, or its refusal."""
    made = in_state(state)
    answer = command(made, what, 6.0)
    if (state, what) in REASONS:
        assert answer == Answer((), (Refusal("pump", REASONS[state, what]),))
        assert state_of(made) is state
        return
    standing = {U: Standing.PRESENT, A: Standing.PRESENT, LU: Standing.LATCHED}
    standing |= {LA: Standing.LATCHED, BY_DESIGN: Standing.QUIET_SUPPRESSED}
    after = TABLE[state, what][standing.get(state, Standing.QUIET)]
    assert moves(answer.transitions) == [(6.0, "pump", state, after)]
    assert answer.transitions[0].moved_by is Mover.OPERATOR
    assert answer.transitions[0].who == "operator"
    assert answer.refusals == ()


def test_a_warning_does_not_latch() -> None:
    """Warn, acknowledge, quiet: normal again; and unacknowledged it returns, then acknowledged."""
    made = book()
    assert moves(made.feed(1.0, WARN)) == [(1.0, "pump", N, U)]
    assert moves(made.command(2.0, Input.ACKNOWLEDGE).transitions) == [(2.0, "pump", U, A)]
    assert moves(made.feed(3.0, QUIET)) == [(3.0, "pump", A, N)]
    made.feed(4.0, WARN)
    assert moves(made.feed(5.0, QUIET)) == [(5.0, "pump", U, R)]
    assert not rings(made)
    assert moves(made.feed(6.0, WARN)) == [(6.0, "pump", R, U)]
    made.feed(7.0, QUIET)
    assert moves(made.command(8.0, Input.ACKNOWLEDGE, "pump").transitions) == [(8.0, "pump", R, N)]


@pytest.mark.parametrize(("level", "priority"), [(2.0, Priority.MEDIUM), (3.0, Priority.HIGH)])
def test_an_action_latches_until_reset(level: float, priority: Priority) -> None:
    """Pull and cut latch: acknowledged and reset, in this order, and not while still there."""
    made = book()
    assert made.feed(1.0, (level, 0.0, 0.0))[0].priority is priority
    assert made.command(2.0, Input.RESET).refusals == (
        Refusal("pump", "its condition is still there"),
    )
    assert moves(made.feed(3.0, QUIET)) == [(3.0, "pump", U, LU)]
    assert rings(made)
    assert made.command(4.0, Input.RESET).refusals == (
        Refusal("pump", "it is not acknowledged yet"),
    )
    assert moves(made.command(5.0, Input.ACKNOWLEDGE).transitions) == [(5.0, "pump", LU, LA)]
    assert not rings(made)
    assert moves(made.feed(6.0, WARN)) == [(6.0, "pump", LA, U)]
    made.command(7.0, Input.ACKNOWLEDGE)
    assert moves(made.feed(8.0, QUIET)) == [(8.0, "pump", A, LA)]
    assert moves(made.command(9.0, Input.RESET, None, "Ada\x1b[2J").transitions) == [
        (9.0, "pump", LA, N)
    ]
    assert made.feed(10.0, WARN)[0].priority is Priority.LOW  # reset forgets the worst


def test_an_escalation_rings_again() -> None:
    """Acknowledging a warning doesn't cover the boost cut that follows; the same level does."""
    made = book()
    made.feed(1.0, WARN)
    made.command(2.0, Input.ACKNOWLEDGE)
    assert made.feed(3.0, CUT) == (
        Transition(3.0, "pump", A, U, Mover.CONDITION, "", Priority.HIGH, False),
    )
    made.feed(4.0, WARN)
    made.command(5.0, Input.ACKNOWLEDGE)
    assert made.feed(6.0, CUT) == ()  # no worse than what was acknowledged
    other = book()
    other.feed(1.0, WARN)
    again = other.feed(2.0, CUT)
    assert moves(again) == [(2.0, "pump", U, U)]
    assert not again[0].annunciates


def test_the_off_delay_holds_at_its_own_time() -> None:
    """It ends when due, however late the book is asked, and restarts when broken."""
    made = book(DELAYED)
    assert moves(made.feed(9.0, WARN)) == [(9.0, "pump", N, U)]  # what comes is told at once
    assert made.feed(10.0, QUIET) == ()
    assert made.due_s == 12.0
    assert made.feed(11.75, WARN) == ()
    assert made.due_s == 1e12
    assert made.feed(12.0, QUIET) == ()
    assert made.feed(13.0, QUIET) == ()
    assert moves(made.feed(19.0, QUIET)) == [(14.0, "pump", U, R)]
    assert made.due_s == 1e12
    assert moves(made.feed(20.0, CUT)) == [(20.0, "pump", R, U)]


def test_a_shelf_is_capped_and_ends_by_itself() -> None:
    """A shelf is cut to the longest, ends when due, and the alarm rings again if still there."""
    made = book()
    made.feed(0.0, CUT)
    assert moves(made.command(10.0, Input.SHELVE, "pump", for_s=INF).transitions) == [
        (10.0, "pump", U, SHELVED)
    ]
    assert made.alarms()[0].shelf_left_s == 60.0
    assert (made.sounding, made.due_s) == (False, 70.0)
    assert (
        made.command(60.0, Input.SHELVE, "pump", for_s=60.0)
        .refusals[0]
        .reason.startswith("it is shelved")
    )
    assert made.feed(69.9, CUT) == ()
    ended = made.feed(71.0, CUT)
    assert moves(ended) == [(70.0, "pump", SHELVED, U)]
    assert ended[0].moved_by is Mover.EXPIRY
    assert rings(made)
    made.command(80.0, Input.SHELVE, "pump", for_s=5.0)
    made.feed(81.0, QUIET)
    assert moves(made.feed(90.0, QUIET)) == [(85.0, "pump", SHELVED, LU)]  # the latch outlives it


@pytest.mark.parametrize("for_s", [0.0, -1.0, NAN, -INF])
def test_a_shelf_of_no_time_is_refused(for_s: float) -> None:
    """Zero, negative and NaN are no time to shelve for."""
    made = in_state(U)
    answer = made.command(6.0, Input.SHELVE, "pump", for_s=for_s)
    assert answer.transitions == ()
    assert answer.refusals == (Refusal("pump", f"found {for_s} s, expected more than 0"),)


def test_an_unknown_alarm_is_refused_in_plain_text() -> None:
    """A name that is none is told, bounded and without control characters; nothing moves."""
    answer = in_state(U).command(6.0, Input.ACKNOWLEDGE, "x\x1b]0;" + "y" * 200)
    assert answer.transitions == ()
    assert answer.refusals[0] == Refusal("x?]0;" + "y" * 35, "expected one of pump, tank, knock")
    told = in_state(U).command(6.0, Input.ACKNOWLEDGE, "pump", "Ada\x07").transitions
    assert told[0].who == "Ada?"


def test_suppression_by_design_holds_back_warnings_alone() -> None:
    """Below onset a flagged warning waits, an action doesn't, and what is listed stays listed."""
    made = book()
    below = made.feed(1.0, (1.0, 1.0, 0.0), suppressed=True)
    assert moves(below) == [(1.0, "pump", N, BY_DESIGN), (1.0, "tank", N, U)]
    assert moves(made.feed(2.0, (1.0, 1.0, 0.0))) == [(2.0, "pump", BY_DESIGN, U)]
    assert made.feed(3.0, (1.0, 1.0, 0.0), suppressed=True) == ()
    assert moves(made.feed(4.0, QUIET, suppressed=True))[0] == (4.0, "pump", U, R)
    made.command(5.0, Input.ACKNOWLEDGE)
    assert state_of(made) is BY_DESIGN
    assert moves(made.feed(6.0, CUT, suppressed=True)) == [(6.0, "pump", BY_DESIGN, U)]


def test_first_out_is_the_first_since_the_list_was_empty() -> None:
    """Order of coming is kept; at one sample the order of the findings; empty starts afresh."""
    made = book()
    first = made.feed(1.0, (0.0, 1.0, 1.0))
    assert [(t.alarm, t.first_out) for t in first] == [("tank", True), ("knock", False)]
    assert not made.feed(2.0, (1.0, 0.0, 1.0))[0].first_out
    assert list(made.order) == ["tank", "knock", "pump"]
    assert [view.rank for view in made.alarms()] == [2, 0, 1]
    made.feed(3.0, QUIET)
    assert list(made.order) == ["tank", "knock", "pump"]  # returned, but nobody has seen them
    made.command(4.0, Input.ACKNOWLEDGE)
    assert list(made.order) == []
    assert made.feed(5.0, (0.0, 0.0, 1.0))[0].first_out


@pytest.mark.parametrize("level", [NAN, -1.0, 0.5, 7.0, INF, -INF])
def test_a_level_that_is_none_is_never_normal(level: float) -> None:
    """An unknown level raises, keeps what was there, and never clears or softens."""
    made = book()
    assert moves(made.feed(1.0, (level, 0.0, 0.0))) == [(1.0, "pump", N, U)]
    made.feed(2.0, (2.0, 0.0, 0.0))
    assert made.feed(3.0, (level, 0.0, 0.0)) == ()
    assert (state_of(made), made.alarms()[0].priority) == (U, Priority.MEDIUM)


@pytest.mark.parametrize("time_s", [NAN, INF, -INF])
def test_a_time_that_is_none_is_never_normal(time_s: float) -> None:
    """Under no time nothing clears, whatever the delay; a warning rings at once; hands count."""
    for off_delay_s in (AT_ONCE, DELAYED):
        made = book(off_delay_s)
        made.feed(1.0, QUIET)
        assert moves(made.feed(time_s, WARN)) == [(1.0, "pump", N, U)]
        assert made.feed(time_s, QUIET) == ()
        assert state_of(made) is U
        made.feed(2.0, QUIET)
        made.feed(time_s, QUIET)
        assert state_of(made) is (U if off_delay_s else R)
        assert made.feed(4.0, QUIET) != () or not off_delay_s
        assert moves(made.command(time_s, Input.ACKNOWLEDGE).transitions) == [(4.0, "pump", R, N)]


def test_steps_back_take_no_time_and_lose_none() -> None:
    """A step back neither ends nor prolongs a shelf; stamps are on the caller's new base."""
    made = book()
    made.feed(1000.0, WARN)
    made.command(1000.0, Input.SHELVE, "pump", for_s=30.0)
    made.command(3.0, Input.ACKNOWLEDGE)  # a late hand doesn't move the clock
    assert made.feed(1020.0, WARN) == ()
    assert made.feed(5.0, WARN) == ()
    assert made.due_s == 15.0
    assert made.feed(14.0, WARN) == ()
    assert moves(made.feed(16.0, WARN)) == [(15.0, "pump", SHELVED, U)]


def test_silencing_never_touches_the_action() -> None:
    """The guard decides the same whether its alarms are shelved, out of service or heard."""
    heard, muted = Drive(rig()), Drive(rig())
    deaf = AlarmBook(FINDING_NAMES)
    for name in FINDING_NAMES[::2]:
        deaf.command(0.0, Input.TAKE_OUT_OF_SERVICE, name)
    for name in FINDING_NAMES[1::2]:
        deaf.command(0.0, Input.SHELVE, name, for_s=500.0)
    book_of_heard = AlarmBook(FINDING_NAMES)
    said = []
    for drive, of in ((heard, book_of_heard), (muted, deaf)):
        decisions = drive.run(1.0) + drive.run(2.0, delivered_ml_min=0.0)
        for decision in decisions:
            levels = decision.level[:]
            of.feed(decision.time_s, levels)
            assert levels == decision.level
        said.append([repr(decision) for decision in decisions])
        assert decisions[-1].action == 3.0
    assert said[0] == said[1]
    assert (book_of_heard.sounding, deaf.sounding) == (True, False)
    assert [finding.name for finding in FINDINGS] == [view.alarm for view in deaf.alarms()]
