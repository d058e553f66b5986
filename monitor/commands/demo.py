"""``flowdebt demo``: a simulated car, no hardware, nothing to set up."""

from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import (
    BellOption,
    JsonFlag,
    OperatorOption,
    SeedOption,
    SpeedOption,
    TextFlag,
    ThemeOption,
    UnitsOption,
    refuse_two_forms,
)


def demo(
    *,
    text: TextFlag = False,
    as_json: JsonFlag = False,
    scenario: Annotated[
        str, Parameter(help="Another scenario; see simulate --list.")
    ] = "pump_stop",
    speed: SpeedOption = 1.0,
    seed: SeedOption = None,
    record: Annotated[str | None, Parameter(help="Folder to record the session in.")] = None,
    operator: OperatorOption = "",
    units: UnitsOption = "metric",
    theme: ThemeOption = "auto",
    bell: BellOption = "action",
) -> int:
    """Watch a simulated car: a healthy pull, then the spray pump stops, and what is done about it.

    On a terminal the dashboard opens; elsewhere text is written. Nothing is recorded unless
    you say where.
    """
    from monitor.attach.order import Order
    from monitor.commands.watching import watch_own
    from monitor.words.look import Look

    refuse_two_forms(text=text, as_json=as_json)
    order = Order(f"sim:{scenario}", None, speed, record, None, seed, unattended_ends=True)
    look = Look(units, theme, bell)
    return watch_own(order, text=text, as_json=as_json, look=look, operator=operator)
