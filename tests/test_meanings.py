"""What a program does follows from typed facts: never from how a name or a sentence begins."""

import ast
from pathlib import Path

import msgspec
import pytest

from monitor.attach import protocol
from monitor.attach.protocol import Bye, Ending, Frame, Hello, Notice, Recording
from monitor.guard.process import Order, run_order
from monitor.screen.picture import Picture
from monitor.source_facts import SourceKind
from monitor.sources.open import open_source
from rules.channels import Sample
from simulator.rig import rig_from_text
from simulator.strict import BadInput
from tests.kit.paths import ROOT
from tests.kit.recordings import record
from tests.kit.rig_text import SMALL
from tests.kit.screen_messages import frame, hello, statistics

LOOKS = {"startswith", "endswith", "removeprefix", "removesuffix", "partition", "rpartition"}

# Where text is looked into, and why that is its business. Nowhere else is any.
OUTSIDE = "what a file, a wire, a system or a person says comes as text"
LAYOUT = "breaks or shortens text for a screen; nothing else follows from it"
NAMES = "names of our own fields, keys and members, which tests hold"
LOOKING = {
    "monitor/commands/compare.py": OUTSIDE,
    "monitor/commands/errors.py": OUTSIDE,
    "monitor/commands/feed.py": OUTSIDE,
    "monitor/drill/authoring.py": OUTSIDE,
    "monitor/send/open.py": OUTSIDE,
    "monitor/proof/in_logs.py": OUTSIDE,
    "monitor/trend/gathered.py": OUTSIDE,
    "monitor/commands/prove.py": OUTSIDE,
    "monitor/commission/channel_tables.py": OUTSIDE,
    "monitor/commission/drafting.py": OUTSIDE,
    "monitor/commission/fit_words.py": LAYOUT,
    "monitor/commission/fitting.py": NAMES,
    "monitor/commission/provenance.py": OUTSIDE,
    "monitor/commission/questions.py": OUTSIDE,
    "monitor/commission/rig_text.py": OUTSIDE,
    "monitor/commission/words.py": OUTSIDE,
    "monitor/sources/lines/framer.py": OUTSIDE,
    "monitor/scheduling.py": OUTSIDE,
    "monitor/sources/lines/line_checks.py": OUTSIDE,
    "monitor/attach/client.py": OUTSIDE,
    "monitor/broker/address.py": OUTSIDE,
    "monitor/sources/topics/freshness.py": OUTSIDE,
    "monitor/sources/topics/messages.py": OUTSIDE,
    "monitor/device/open.py": OUTSIDE,
    "monitor/device/topic_ear.py": OUTSIDE,
    "monitor/outputs/keeper.py": OUTSIDE,
    "monitor/outputs/open.py": OUTSIDE,
    "monitor/outputs/serial_lines.py": OUTSIDE,
    "monitor/pictures/figure.py": OUTSIDE,
    "monitor/proof/store.py": OUTSIDE,
    "monitor/proof/sweep_keys.py": OUTSIDE,
    "monitor/recorder/reader.py": OUTSIDE,
    "monitor/review/edit.py": OUTSIDE,
    "monitor/words/spreadsheet.py": OUTSIDE,
    "monitor/review/window.py": NAMES,
    "monitor/screen/base.py": NAMES,
    "monitor/screen/controls.py": NAMES,
    "monitor/words/literal.py": LAYOUT,
    "monitor/screen/panes/banner.py": LAYOUT,
    "monitor/screen/panes/detail.py": LAYOUT,
    "monitor/screen/panes/events.py": LAYOUT,
    "monitor/screen/replay/deltas.py": LAYOUT,
    "monitor/screen/replay/detail.py": LAYOUT,
    "monitor/screen/replay/screen.py": NAMES,
    "monitor/screen/replay/what_if_keys.py": NAMES,
    "monitor/screen/replay/what_if.py": OUTSIDE,
    "monitor/words/units.py": LAYOUT,
    "monitor/sources/lines/senml.py": OUTSIDE,
    "monitor/sources/lines/senml_rows.py": OUTSIDE,
    "monitor/sources/logs/csv_layout.py": OUTSIDE,
    "monitor/sources/logs/file_kind.py": OUTSIDE,
    "monitor/sources/open.py": OUTSIDE,
    "monitor/sources/ports.py": OUTSIDE,
    "monitor/sources/serial_line.py": OUTSIDE,
    "monitor/pictures/shapes.py": OUTSIDE,
    "monitor/sources/lines/stream.py": OUTSIDE,
    "monitor/sources/lines/line_decoder.py": OUTSIDE,
    "monitor/web/admission.py": OUTSIDE,
    "rules/alarms/rates.py": NAMES,
    "simulator/drill/lesson.py": NAMES,
    "simulator/logfile.py": NAMES,
    "simulator/machine_code.py": OUTSIDE,
    "simulator/plant/script.py": NAMES,
    "simulator/rig/changes.py": LAYOUT,
    "simulator/rig/renew.py": OUTSIDE,
    "simulator/rig/toml_places.py": OUTSIDE,
    "simulator/strict/document.py": OUTSIDE,
    "simulator/strict/lines.py": OUTSIDE,
}
# Fields that are sentences or names for people. Others that are text are words of a fixed list.
SENTENCES = {"why", "text", "status", "source", "session", "fault", "words", "check_first", "who"}
ELSEWHERE = {("monitor/pictures/svg.py", "text")}  # of a run of cells


def _modules() -> list[Path]:
    found = [p for floor in ("rules", "simulator", "monitor") for p in (ROOT / floor).rglob("*.py")]
    assert len(found) > 200
    return sorted(found)


def _looks(path: Path) -> list[ast.Call]:
    """Return the calls in a module that look at a text's beginning or end."""
    return [
        node
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in LOOKS
    ]


def test_text_is_looked_into_only_where_it_comes_in_or_is_laid_out() -> None:
    """A module that looks at how a text begins is in the list above, with its reason."""
    looking = {str(path.relative_to(ROOT)) for path in _modules() if _looks(path)}
    assert looking - set(LOOKING) == set()


def _sentence(node: ast.AST) -> str:
    """Return the field of a message an expression reads, where it is a sentence; else nothing."""
    inner = node.args[0] if isinstance(node, ast.Call) and node.args else node
    return inner.attr if isinstance(inner, ast.Attribute) and inner.attr in SENTENCES else ""


def _looked_at(node: ast.AST) -> list[ast.expr]:
    """Return the expressions whose text a node compares with words, searches or cuts."""
    if isinstance(node, ast.Compare):
        sides = [node.left, *node.comparators]
        told = [side.value for side in sides if isinstance(side, ast.Constant)]
        searched = any(isinstance(op, ast.In | ast.NotIn) for op in node.ops)
        words = any(isinstance(value, str) and value for value in told)
        return sides if words or (searched and "" not in told) else []
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        return [node.func.value] if node.func.attr in {*LOOKS, "split", "find", "index"} else []
    return []


def test_no_sentence_of_a_message_is_read_again() -> None:
    """Neither compared, nor searched, nor cut: whoever needs a fact gives it a field."""
    read = []
    for path in _modules():
        where = str(path.relative_to(ROOT))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            read += [(where, field) for part in _looked_at(node) if (field := _sentence(part))]
    assert set(read) - ELSEWHERE == set()


def test_the_sentences_are_fields_there_are() -> None:
    """The list above names fields of messages, so that it can't go stale unseen."""
    there = {
        name
        for kind in vars(protocol).values()
        if isinstance(kind, type) and issubclass(kind, msgspec.Struct)
        for name in kind.__struct_fields__
    }
    assert there >= SENTENCES


# Names that once meant something, or look as if they did.
HOSTILE_NAMES = (
    "simulated car, x",
    "simulated car, x, recorded",
    "failed: x",
    "source ended",
    "recording to x",
    "recording",
    "stopped: x",
    "live",
    "LIVE, serial",
    "Detached x",
)


def _log(folder: Path, name: str, kind: str) -> str:
    """Write a log, or a session, of this name; return it."""
    if kind == "session":
        made = record(folder, [Sample(0.1 * i, 0.0, 0.0) for i in range(4)], RIG)
        return str(made.rename(folder / name))
    path = folder / f"{name}.csv"
    path.write_text("time_s,boost_kpa,delivered_ml_min\n0,1,0\n0.1,1,0\n", encoding="utf-8")
    return str(path)


RIG = rig_from_text(SMALL, "small.toml")


@pytest.mark.asyncio
@pytest.mark.parametrize("kind", ["csv", "session"])
@pytest.mark.parametrize("name", HOSTILE_NAMES)
async def test_no_name_makes_the_past_act(name: str, kind: str, tmp_path: Path) -> None:
    """A recorded log can't be armed and is never shown as simulated, whatever it is called."""
    rig = tmp_path / "small.toml"
    rig.write_text(SMALL, encoding="utf-8")
    source = _log(tmp_path, name, kind)
    order = Order(source, rig=str(rig), outputs=["rts:/dev/x"], arm=True)
    with pytest.raises(BadInput, match="the past must not act"):
        await run_order(order)
    told: list[protocol.Message] = []
    await run_order(Order(source, rig=str(rig), speed=0.0), tell=told.append)
    bye = told[-1]
    assert isinstance(bye, Bye)
    assert bye.end is Ending.SOURCE_ENDED
    assert open_source(source, str(rig))[1].kind is SourceKind.RECORDED


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_no_name_changes_what_a_screen_takes_for_true(name: str) -> None:
    """Source, session, status and notices may be called anything: only fields are believed."""

    def seen(*messages: protocol.Message) -> Picture:
        picture = Picture(100.0)
        for message in messages:
            # What a guard says goes over the wire as it does in life.
            picture.take(protocol.decode(protocol.encode(message)), 100.0)
        return picture

    def greeted(kind: SourceKind) -> Hello:
        return hello(source=name, session=name, rig=name, source_kind=kind)

    def told(fault: str | None) -> Frame:
        recording = Recording(name, fault)
        return msgspec.structs.replace(frame(name, [], 5), recording=recording)

    notice = Notice("recording", name)
    for kind in SourceKind:
        assert seen(greeted(kind), told(None)).simulated is (kind is SourceKind.SIMULATED)
    fine = seen(greeted(SourceKind.LIVE), told(None), notice)
    assert (fine.recorder_fault, fine.session, fine.ended) == (None, name, False)
    assert seen(greeted(SourceKind.LIVE), told(name), notice).recorder_fault == name
    for end in Ending:
        assert seen(greeted(SourceKind.LIVE), Bye(end, name, statistics())).ended is (
            end is Ending.SOURCE_ENDED
        )


def test_a_kind_says_by_itself_what_may_be_done() -> None:
    """Only an engine that runs falls silent; only the past may not act."""
    assert [kind for kind in SourceKind if kind.live] == [SourceKind.LIVE]
    assert [kind for kind in SourceKind if not kind.may_act] == [SourceKind.RECORDED]
