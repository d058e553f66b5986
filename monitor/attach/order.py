"""What a guard's process, or a class's, is told to do. Light: who orders need not decide."""

import msgspec


class Order(msgspec.Struct, frozen=True):
    """What a guard is to do.

    Attributes:
        source: As on the command line: a log, a session, a port or URL, ``sim:SCENARIO``.
        rig: Rig file or shipped name; None where the source brings its own.
        speed: Of recorded and simulated sources; 0 is as fast as possible.
        record: Folder for sessions; None records nothing.
        baud: Of a serial port; None takes the rig's.
        seed: Of a simulated car; None takes the scenario's.
        unattended_ends: End when nobody has watched for some time.
        awaits_viewer: Read nothing before a viewer is there (not for long), so it misses nothing.
        segment_rows: Rows a segment of the recording holds; None is the usual.
        outputs: Outputs, as ``monitor.outputs.open`` reads them.
        arm: Drive them.
        publish: Broker and prefix to publish at; None publishes nothing.
        learned: Session, or folder of sessions, from which to restore what was learned of the car;
            None restores nothing.
    """

    source: str
    rig: str | None = None
    speed: float = 1.0
    record: str | None = None
    baud: int | None = None
    seed: int | None = None
    unattended_ends: bool = False
    awaits_viewer: bool = False
    segment_rows: int | None = None
    outputs: list[str] = []
    arm: bool = False
    publish: str | None = None
    learned: str | None = None


class ClassOrder(msgspec.Struct, frozen=True):
    """What a class of drills is to do. Comes on standard input: no command line tells a lesson.

    Attributes:
        lessons: Names or files of lessons, in their order.
        seed: Of the first drive, 0 or more; each later one takes the next.
        instructed: An instructor begins and ends drives; else any trainee may.
        results: Folder to append results to; None keeps none.
        speed: Of the drive, times real, more than 0.
    """

    lessons: list[str]
    seed: int = 1
    instructed: bool = False
    results: str | None = None
    speed: float = 1.0
