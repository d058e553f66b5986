"""Where samples come from. All sources keep one contract: ``base.Source``.

The way of a reading from byte to decision, over a serial line:

1. Bytes: ``serial_line`` reads them from a port, on a thread of its own (``fed``).
2. Lines: ``lines.stream`` has ``lines.framer`` cut them, and looks whether each is text or SenML.
3. Checked fields: ``lines.line_decoder`` follows the header, ``lines.line_checks`` the CRC and the
   sequence number; ``lines.senml`` resolves a pack.
4. A sample: ``lines.columns`` and ``lines.senml_rows`` put values into the channels' own units;
   ``lines.device_time`` makes the device's time go on where its counter wraps.
5. The loop: ``inbox`` hands samples over from the thread, in order and bounded.
6. The decision: ``monitor.guard.loop`` puts ticks where there is silence (``align``) and has
   ``rules`` decide.

Over a broker, ``mqtt`` and ``topics`` stand for the first three steps. A log's steps 1 to 4 are
in ``logs``, many rows at a time; ``recorded`` hands them over at their own pace, as ``simulated``
does with a simulated car's (``paced``).
"""
