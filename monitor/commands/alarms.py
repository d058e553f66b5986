"""``flowdebt alarms``: a running guard's alarm list, and the operator's hand on it."""

from typing import Annotated, Literal

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag, OperatorOption, PidOption


def alarms(
    do: Annotated[
        Literal[
            "list",
            "rates",
            "acknowledge",
            "reset",
            "shelve",
            "unshelve",
            "take_out_of_service",
            "return_to_service",
        ],
        Parameter(help="What to do; nothing lists."),
    ] = "list",
    alarm: Annotated[
        str,
        Parameter(
            help="Which alarm, as listed or by its finding; nothing is all (acknowledge, reset)."
        ),
    ] = "",
    *,
    minutes: Annotated[float, Parameter(help="With shelve: how long; 15 at most.")] = 5.0,
    pid: PidOption = None,
    who: OperatorOption = "",
    as_json: JsonFlag = False,
) -> int:
    """List a running guard's alarms, or do something about them.

    ``rates`` says how often alarms came, against the benchmarks of EEMUA 191 and ISA-18.2.
    States are those of ISA-18.2 / IEC 62682. Whatever is done here silences the bell at most: it
    never changes what is done to the engine. (Where the rig asks for an acknowledgement before a
    latched action is released, acknowledging gives it.) Exit code 1: the guard refused.
    """
    from monitor.commands.alarm_list import run_alarms, shelf_s

    for_s = shelf_s(alarm, minutes) if do == "shelve" else 0.0
    return run_alarms(pid, do, alarm, for_s, who=who, as_json=as_json)
