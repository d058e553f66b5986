"""The recommended point of a sweep as a rig: the old one's text, new values, where each is from."""

import textwrap
from collections.abc import Sequence

from monitor.commission.provenance import put_with_origin
from monitor.proof.sweep_keys import Setting, SweptKey
from monitor.review.edit import set_keys
from simulator.rig import RigFile, rig_from_text
from simulator.strict import clean

_WIDE = 100


def written(
    rig_file: RigFile,
    keys: Sequence[SweptKey],
    setting: Setting,
    requirements: str,
    date: str,
    reasons: Sequence[str],
) -> RigFile:
    """Return the rig with a point's values; behind each stands which sweep it is from.

    Args:
        rig_file: The rig as it was.
        keys: What was swept.
        setting: The point.
        requirements: Name of the file it was swept for.
        date: As "2026-01-31".
        reasons: Why that point, for the file's head.
    """
    text = rig_file.text
    for key, value in zip(keys, setting.values, strict=True):
        ((path, put_in),) = set_keys(rig_file, f"{key.key} = {value}").items()
        origin = f"sweep {date} of {clean(requirements, 60)}, {key.ends}"
        text = put_with_origin(text, path, put_in, origin)
    told = f"Values from a sweep ({date}), proven on simulated cars alone. {' '.join(reasons)}"
    end = "\r\n" if "\r\n" in text else "\n"
    head = textwrap.wrap(clean(told, 4000), _WIDE, initial_indent="# ", subsequent_indent="# ")
    return rig_from_text(end.join([*head, text]), rig_file.file_name)
