"""Logs read back: judged again at full speed, stepped through, and what would have been.

No screen and no clock in here. ``log`` reads, ``judge`` decides, ``review`` counts what came of it
and ``report`` says it. For a replay ``decide_log`` decides it all and ``decided_log`` keeps it (in
``pieces``, with ``alarms`` and ``causes``); ``window`` is what a plot draws, ``row_gaps`` what is
missing between rows, ``messages`` says a row as a guard would have, ``compare`` tells two decidings
apart, ``edit`` changes a rig's text, ``marks`` keeps a person's notes, ``ranges`` exports a
stretch, ``done_then`` is what an older version did, and ``player`` is the logic of play and pause.
"""
