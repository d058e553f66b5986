"""Logs read back: judged again at full speed, stepped through, and what would have been.

No screen and no clock in here. Modules: ``log`` reads, ``judge`` decides, ``review`` counts what
came of it and ``report`` says it. For a replay ``deciding`` and ``decided`` keep it, ``window`` is
what a plot draws, ``messages`` says it as a guard would have, ``compare`` tells two decidings
apart, ``edit`` changes a rig's text, ``marks`` keeps a person's notes, ``ranges`` exports a
stretch, ``done_then`` is what an older version did, and ``player`` is the logic of play and pause.
"""

from monitor.review.compare import Difference, compare
from monitor.review.decide_log import decide
from monitor.review.decided_log import Decided, TurnAt
from monitor.review.edit import Value, edit, save_as, values_of
from monitor.review.log import Log, Stopped, open_log
from monitor.review.marks import Mark, Marks, add_mark, read_marks, remove_mark
from monitor.review.messages import event_turns, frame_at, hello_of
from monitor.review.player import Player
from monitor.review.ranges import export_range
from monitor.review.window import Window

__all__ = [
    "Decided",
    "Difference",
    "Log",
    "Mark",
    "Marks",
    "Player",
    "Stopped",
    "TurnAt",
    "Value",
    "Window",
    "add_mark",
    "compare",
    "decide",
    "edit",
    "event_turns",
    "export_range",
    "frame_at",
    "hello_of",
    "open_log",
    "read_marks",
    "remove_mark",
    "save_as",
    "values_of",
]
