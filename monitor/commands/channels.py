"""``flowdebt channels``: what columns does this log have, and which is which?"""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag, RigOption
from monitor.words.look import UnitsName


def channels(
    *logs: Annotated[
        Path, Parameter(help="A log (CSV, Parquet, Arrow IPC), or a folder of these.")
    ],
    rig: RigOption = None,
    units: Annotated[
        UnitsName | None,
        Parameter(
            help="Of ranges: metric, or us (psi, degF, gal/h, fl oz); otherwise as the log has "
            "them. JSON is as the log has them."
        ),
    ] = None,
    as_json: JsonFlag = False,
) -> int:
    """List the columns of logs: range, unit, how often each is sent, and what the rig maps it to.

    Without a rig: what a column may be, by its name and values; "likely" is a good guess, "perhaps"
    one to be asked about. Of two columns with one name "Flow#2" is the second, and a rig names it
    so. A log that can't be read holds up no other. Exit codes: 0 ran; 2 bad input.
    """
    from monitor.commands.printed import complain, say
    from monitor.commission.listing import listing
    from monitor.review.several import logs_in
    from monitor.words.look import Look
    from simulator.rig import find_rig, load_rig
    from simulator.strict import BadInput

    if not logs:
        raise BadInput("channels: found no LOG, expected one, or a folder of these")
    rig_file = None if rig is None else load_rig(find_rig(rig))
    code = 0
    for path in logs_in(logs):
        try:
            found = listing(path, rig_file)
        except BadInput as error:
            complain(str(error))
            code = 2
            continue
        told = None if units is None else Look(units).figures
        say(found.in_words(told), found.as_json, as_json=as_json)
    return code
