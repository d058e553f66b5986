"""Link and recording: where samples come from, how many, how old, and where they are kept."""

from pathlib import PurePath
from typing import Final

from rich.cells import cell_len

from monitor.recorder.span import counted
from monitor.screen.panes.banner import age
from monitor.screen.picture import Link
from monitor.screen.view import Pane, Row, View, width_of
from monitor.words.counts import in_words
from monitor.words.literal import figure, or_nan, plain, shortened

MANY_WAITING: Final = 100  # a second of a usual logger's samples


class LinkLine(Pane):
    """Two rows, the first of which always says what is driven, or that nothing is."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw source and recording, then the counts."""
        hello = view.picture.hello
        source = hello.source if hello else "no source yet"
        first = [view.say(f" {view.driven}", "strong"), view.say(" │ ", "dim")]
        recording = _recording(view, width)
        room = width - width_of(first) - width_of(recording) - 2
        if view.picture.simulated:
            # Elsewhere it says that nothing is driven: true of cars, but this one listens.
            longer = f"{source}: obeys what is decided"
            source = longer if cell_len(plain(longer)) <= room else "simulated car obeys"
        if room >= 8:
            first.append(view.say(shortened(source, room), "dim"))
        return [view.spread(first, recording, width), _counts(view, width)]


def _recording(view: View, width: int) -> Row:
    picture = view.picture
    hello = picture.hello
    counts = picture.statistics
    if hello is None:
        return []
    session = picture.session
    if session is None:
        return [view.say("not recording ", "dim")]
    if picture.recorder_fault is not None:
        return [
            view.say(
                f" ! recording: {shortened(f'stopped: {picture.recorder_fault}', 24)} ", "warn"
            )
        ]
    if counts.not_recorded:
        return [view.say(f" ! {counted(counts.not_recorded, 'row')} not recorded ", "warn")]
    rows = f"{in_words(counts.recorded)} rows"
    if view.link is Link.GONE:
        return [view.say(f"recorded {rows} ", "dim")]
    if width < 110:
        return [view.say(f"recording {rows} ", "dim")]
    name = shortened(PurePath(session).name, 40)
    return [view.say(f"recording {rows} to {name} ", "dim")]


def _counts(view: View, width: int) -> Row:
    picture = view.picture
    told = picture.statistics
    rate = picture.samples_a_second(view.now_s)
    p99_ms = or_nan(None if told.latency is None else told.latency.p99_ms)
    aged = "--" if picture.frame is None else age(picture.sample_age_s(view.now_s))
    if view.link is Link.LIVE:
        aged = f"<{picture.silent_after_s:z.1f} s"  # tenths would only flicker
    per_s = figure(rate, 0 if rate >= 5.0 else 1)
    counts: list[tuple[str, bool]] = [
        (f"{per_s} samples/s" if width >= 110 else f"{per_s}/s", False),
        (f"last {aged} ago", view.old and picture.frame is not None and not picture.ended),
        (
            f"rejected {in_words(told.refused)}",
            picture.rose_lately("rejected", view.now_s),
        ),
        (f"late {in_words(told.late)}", picture.rose_lately("late", view.now_s)),
        (f"latency {figure(p99_ms, 1)} ms", False),
    ]
    if view.link is not Link.GONE:  # nobody views what is gone
        counts.append((f"viewers {in_words(told.viewers)}", False))
    for name, found, least in (
        ("lost", told.lost, 1),
        ("waiting", told.waiting, MANY_WAITING),
        ("dropped", told.dropped, 1),
    ):
        if found is not None and found >= least:
            lately = name == "waiting" or picture.rose_lately(name, view.now_s)
            counts.insert(2, (f"{name} {found}", lately))
    row: Row = []
    for text, odd in counts:
        part = [view.say(f" ! {text} " if odd else f" {text} ", "warn" if odd else "dim")]
        if row:
            part = [view.say("│", "dim"), *part]
        if width_of(row) + width_of(part) > width:
            break
        row += part
    return row
