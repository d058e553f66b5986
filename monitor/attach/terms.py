"""What a rig comes to on a screen: thresholds, limits and scales, as messages hold them."""

from math import isfinite
from typing import TypedDict

from monitor.attach.message_parts import RigChange, Scale, Thresholds
from monitor.attach.protocol import Terms
from rules.facts import Rig
from rules.step.constants import LIMIT_NAMES
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from simulator.rig import Change


class Shown(TypedDict):
    """The fields that ``Hello`` and ``Terms`` have in common."""

    rig: str
    thresholds: Thresholds
    limits: dict[str, float]
    scale: Scale
    dry_limit_kpa: float
    onset_kpa: float


def shown(rig: Rig) -> Shown:
    """Return what screens show of a rig."""
    k = constants_of(rig)
    limits = {
        name: above
        for name, above in zip(LIMIT_NAMES, k.limit_above, strict=True)
        if isfinite(above)
    }
    top_kpa = max(*rig.paid.boost_kpa, rig.paid.dry_limit_kpa)
    return {
        "rig": rig.name,
        "thresholds": Thresholds(k.warn_nats, k.limit_nats, k.cut_ml / k.full_ml_min * 60.0),
        "limits": limits,
        "scale": Scale(
            flow_ml_min=full_flow_ml_min(k, rig.command.start_boost_kpa),
            boost_kpa=limits.get("boost_kpa", top_kpa),
            line_kpa=min(k.shut_off_kpa, k.regulated_kpa),
            line_within=k.line_gain_within,
        ),
        "dry_limit_kpa": rig.paid.dry_limit_kpa,
        "onset_kpa": rig.command.start_boost_kpa,
    }


def new_terms(time_s: float, rig: Rig, changes: tuple[Change, ...]) -> Terms:
    """Return the message that a rig was changed after a time."""
    return Terms(
        time_s=time_s,
        changes=[RigChange(*change) for change in changes],
        words=", ".join(change.words for change in changes),
        **shown(rig),
    )
