"""``flowdebt watch``: judge a stream as it comes."""

from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import (
    BaudOption,
    BellOption,
    JsonFlag,
    OperatorOption,
    RigOption,
    SeedOption,
    SpeedOption,
    TextFlag,
    ThemeOption,
    UnitsOption,
    WebPortOption,
    flag,
    refuse_two_forms,
)


def watch(
    source: Annotated[
        str,
        Parameter(
            show_default=False,
            help="A serial port (see flowdebt ports) or pyserial URL, mqtt://HOST/PREFIX, a log, a "
            "session's folder, or sim:SCENARIO.",
        ),
    ] = "",
    *,
    rig: RigOption = None,
    headless: Annotated[bool, flag("The guard alone, no dashboard; events as lines.")] = False,
    attach: Annotated[bool, flag("Join a running guard instead of starting one.")] = False,
    pid: Annotated[int | None, Parameter(help="With --attach: which guard.")] = None,
    text: TextFlag = False,
    as_json: JsonFlag = False,
    web: Annotated[bool, flag("The dashboard in a browser on this machine.")] = False,
    web_port: WebPortOption = None,
    record: Annotated[str, Parameter(help="Folder that sessions are recorded in.")] = "sessions",
    no_record: Annotated[bool, flag("Record nothing.")] = False,
    speed: SpeedOption = 1.0,
    baud: BaudOption = None,
    seed: SeedOption = None,
    output: Annotated[
        list[str] | None,
        flag(
            "What to hold while all is well and release otherwise: rts:PORT, dtr:PORT, "
            "beat:PORT or mqtt://HOST/PREFIX. Dry run without --arm."
        ),
    ] = None,
    arm: Annotated[bool, flag("Drive the outputs. Read the caution.")] = False,
    publish: Annotated[
        str | None,
        Parameter(help="Broker and prefix to publish state and events at: mqtt://HOST/PREFIX."),
    ] = None,
    learned: Annotated[
        str | None,
        Parameter(
            help="Session, or folder of sessions (the newest of this rig counts): begin with what "
            "its guard learned of the flow's and the line's sensor. Nothing is restored where "
            "these, nozzles or pump have changed in the rig."
        ),
    ] = None,
    operator: OperatorOption = "",
    units: UnitsOption = "metric",
    theme: ThemeOption = "auto",
    bell: BellOption = "action",
) -> int:
    """Watch a car: a stream of samples in, decisions out, on screen and on disk.

    The guard decides in a process of its own. The dashboard is only a viewer: killing it does not
    touch the guard. Ctrl-C ends both and finishes the recording; d in the dashboard detaches and
    leaves the guard running. With --web it is drawn in a browser instead: the address printed holds
    a token, browsers come and go without touching the guard, and Ctrl-C ends server and guard.
    """
    from monitor.attach.order import Order
    from monitor.commands.watching import watch_headless, watch_own, watch_running
    from monitor.words.look import Look
    from simulator.strict import BadInput

    look = Look(units, theme, bell)
    if web and (headless or text or as_json):
        raise BadInput(
            "--web: found --headless, --text or --json too, expected one way to show the guard"
        )
    refuse_two_forms(text=text, as_json=as_json)
    if web_port is not None and not web:
        raise BadInput("--web-port: found no --web, expected it: the port is the browser's")
    if attach:
        if source or headless or output or arm or publish or learned:
            raise BadInput(
                "--attach: found a source, --headless, --output, --arm, --publish or --learned "
                "too, expected none of them: they are the guard's own"
            )
        if web:
            from monitor.web.serving import serve_running

            return serve_running(pid, web_port or 0, look, operator)
        return watch_running(pid, text=text, as_json=as_json, look=look, operator=operator)
    if not source:
        raise BadInput("watch: found no source, expected a port, a log, a session or sim:SCENARIO")
    order = Order(
        source,
        rig,
        speed,
        None if no_record else record,
        baud,
        seed,
        outputs=output or [],
        arm=arm,
        publish=publish,
        learned=learned,
    )
    if web:
        from monitor.web.serving import serve_own

        return serve_own(order, web_port or 0, look, operator)
    if headless:
        return watch_headless(order, as_json=as_json, look=look)
    return watch_own(order, text=text, as_json=as_json, look=look, operator=operator)
