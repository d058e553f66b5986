"""What can be done in a replay from the keyboard."""

from dataclasses import replace
from typing import Final

from monitor.screen.base import COMMON, tidy
from monitor.screen.controls import Control

_OWN: Final = {"s", "c"}  # of the common keys, those that mean something of their own here

_HELP: Final = "page('help')"  # stands where it is seen at 80 columns

UNSAID: Final = (
    Control("left", "←", "rows(-1)", "", "one row back"),
    Control("right", "→", "rows(1)", "", "one row on"),
    Control("shift+left,pageup", "shift+←", "seconds(-1)", "", "one second back"),
    Control("shift+right,pagedown", "shift+→", "seconds(1)", "", "one second on"),
    Control("n", "n", "event(1)", "", "to the next event, gap or mark"),
    Control("p", "p", "event(-1)", "", "to the event, gap or mark before"),
    Control("home", "home", "end(-1)", "", "to the log's first row"),
    Control("end", "end", "end(1)", "", "to the log's last row"),
    Control("plus,equals_sign", "+", "rate(1)", "", "play at a higher rate"),
    Control("minus", "-", "rate(-1)", "", "play at a lower rate"),
    Control("i", "i", "zoom(-1)", "", "zoom in"),
    Control("o", "o", "zoom(1)", "", "zoom out, to the whole log in the end"),
    Control("a", "a", "cursor('a')", "", "set cursor A here"),
    Control("b", "b", "cursor('b')", "", "set cursor B here"),
    Control("A", "A", "to_cursor('a')", "", "go to cursor A"),
    Control("B", "B", "to_cursor('b')", "", "go to cursor B"),
    Control("tab", "tab", "switch", "", "among the thresholds: to what differs, and back"),
)

REPLAY_CONTROLS: Final = tidy(
    (
        Control("q,ctrl+c,ctrl+q", "q", "leave", "quit", "leave; nothing is changed", 10),
        Control("space", "space", "play", "play", "play, and stand still", 11),
        Control("", "n p", "", "event", "to the next or previous event, gap or mark", 12),
        Control("", "←→", "", "row", "one row back or forth", 25),
        Control(
            "", "shift+←→", "", "second", "one second back or forth; also page up, page down", 75
        ),
        Control("", "home end", "", "begin, end", "to the log's first or last row"),
        Control(
            "g", "g", "goto", "go to", "go to a time (41.5, 0:41, +5, -2.5), event (#3), a or b", 13
        ),
        Control("", "+ -", "", "rate", "play faster or slower, 0.1 to 50 times", 62),
        Control("s", "s", "span", "span", "span of the plots: 20 s, 60 s, the whole log, 10 s", 50),
        Control("", "i o", "", "in, out", "zoom in and out, from 1 s to the whole log", 63),
        Control(
            "", "↑↓ enter", "", "choose", "choose in the list; enter goes there", 55, asks=False
        ),
        Control("enter", "", "enter", "", "", asks=False),
        Control("l", "l", "page('list')", "list", "all events, gaps and marks, to choose from", 35),
        Control("", "a b", "", "A, B", "set cursor A or B here, to compare two moments", 17),
        Control("d", "d", "page('deltas')", "A-B", "the differences between A and B (or here)", 31),
        Control("", "A B", "", "to A, B", "go to cursor A or B"),
        Control("x", "x", "clear", "clear A, B", "clear both cursors"),
        Control("m", "m", "mark", "mark", "set a mark here with a note; kept beside the log", 16),
        Control("M", "M", "mark_now", "mark now", "set a mark here at once, without a note"),
        Control("delete", "delete", "remove", "remove", "take the chosen mark away", asks=False),
        Control(
            "w",
            "w",
            "page('what_if')",
            "what if",
            "other thresholds: what would have been done; tab goes to the differences",
            14,
        ),
        Control("z", "z", "undo", "undo", "take the last changed threshold back", 22),
        Control("k", "k", "keep", "keep", "keep the changed thresholds as a new rig file", 23),
        Control(
            "e", "e", "export", "export", "write what the plot spans to a CSV or Parquet file", 65
        ),
        *(
            replace(one, rank=15) if one.action == _HELP else one
            for one in COMMON
            if one.keys not in _OWN
        ),
        Control(
            "c", "c", "page('counts')", "log", "the log: what was read, and whether it is whole", 80
        ),
    )
)
