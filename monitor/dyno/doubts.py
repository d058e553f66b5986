"""What speaks against a comparison, or limits it, in sentences."""

from math import isfinite
from typing import Final

import numpy as np

from monitor.dyno.groups import Asked, Group, median
from simulator.dyno.correction import Correction
from simulator.dyno.curves import Floats

MOST_BOOST_KPA: Final = 10.0  # apart; above it the gain is boost's; common practice, no source
_OTHER_GEAR: Final = 1.15  # runs in one gear don't scatter by that; common practice, no source
# From here on a difference of groups is told.
_TOLD_START_K: Final = 4.0
_TOLD_AMBIENT_K: Final = 3.0
_TOLD_BAROMETER_KPA: Final = 0.7
_TOLD_BOOST_KPA: Final = 3.0


def doubts_of(
    asked: Asked,
    groups: tuple[Group, Group],
    speed_rpm: Floats,
    means: tuple[Floats, Floats],
    between: tuple[float, float],
    apart_kpa: Floats,
) -> list[str]:
    """Return what speaks against a comparison, or limits it, a sentence each."""
    return [
        *_few(groups),
        *_of_gear(groups),
        *_span(asked, groups, means, between),
        *_of_boost(asked, speed_rpm, apart_kpa),
        *_of_weather(asked, groups),
        *_of_spray(asked, groups),
    ]


def _few(groups: tuple[Group, Group]) -> list[str]:
    single = [group.name for group in groups if len(group.runs) == 1]
    if single:
        return [
            f"one {' and one '.join(single)} run: nothing tells how far runs scatter, so no gain "
            "here is sure; log three or more of each"
        ]
    two = [group.name for group in groups if len(group.runs) == 2]
    if two:
        return [f"two {' and two '.join(two)} runs: intervals are wide; three or more tell more"]
    return []


def _of_gear(groups: tuple[Group, Group]) -> list[str]:
    """Return which runs that were stated to be in one gear hardly can be."""
    for group in groups:
        everywhere = np.isfinite(group.torque_nm).all(axis=0)
        if not everywhere.any() or not any(run.gear_stated for run in group.runs):
            continue
        mean_nm = group.torque_nm[:, everywhere].mean(axis=1)
        ratio = float(mean_nm.max() / mean_nm.min())
        if ratio > _OTHER_GEAR:
            first, last = (group.runs[int(k)].log for k in (mean_nm.argmin(), mean_nm.argmax()))
            return [
                f"{group.name} runs of {first} and {last} are {100.0 * (ratio - 1.0):z.0f} % apart "
                "in torque: not all of them can be in the gear that --gear states"
            ]
    return []


def _span(
    asked: Asked,
    groups: tuple[Group, Group],
    means: tuple[Floats, Floats],
    between: tuple[float, float],
) -> list[str]:
    if not isfinite(between[0]):
        return [
            "no engine speed that every run goes through: no mean is told (--between states one)"
        ]
    short = [
        run.log
        for group, own in zip(groups, means, strict=True)
        for run, value in zip(group.runs, own, strict=True)
        if not isfinite(value)
    ]
    if short and asked.between_rpm is not None:
        return [f"not in the means, as they don't span that: runs of {', '.join(short)}"]
    return []


def _of_boost(asked: Asked, speed_rpm: Floats, apart_kpa: Floats) -> list[str]:
    told = np.flatnonzero(apart_kpa > (MOST_BOOST_KPA if asked.by_spray else _TOLD_BOOST_KPA))
    if not np.isfinite(apart_kpa).any():
        return ["boost is not read in all of them: whether it differs can't be told"]
    if not len(told):
        told = np.flatnonzero(apart_kpa > _TOLD_BOOST_KPA)
        if not len(told):
            return []
        after = "part of the gain there is boost's"
    else:
        after = "no gain is told there" if asked.by_spray else "the gain there is boost's as well"
    spans = ", ".join(
        f"{speed_rpm[part[0]]:z.0f} to {speed_rpm[part[-1]]:z.0f} rpm"
        for part in np.split(told, np.flatnonzero(np.diff(told) > 1) + 1)
    )
    most = float(np.nanmax(apart_kpa))
    return [f"boost differs by up to {most:z.0f} kPa, at {spans}: {after}"]


def _of_weather(asked: Asked, groups: tuple[Group, Group]) -> list[str]:
    said: list[str] = []
    first, second = (
        {
            "intake": median([run.start_intake_c for run in group.runs]),
            "ambient": median([run.weather.ambient_c for run in group.runs]),
            "barometer": median([run.weather.barometer_kpa for run in group.runs]),
        }
        for group in groups
    )
    one, other = asked.names
    if abs(first["intake"] - second["intake"]) > _TOLD_START_K:
        said.append(
            f"the intake is {first['intake']:z.0f} degC as {one} runs begin, "
            f"{second['intake']:z.0f} degC as {other} runs do: heat soak or weather, not the spray"
        )
    warmer = abs(first["ambient"] - second["ambient"]) > _TOLD_AMBIENT_K
    heavier = abs(first["barometer"] - second["barometer"]) > _TOLD_BAROMETER_KPA
    if asked.method is Correction.NONE and (warmer or heavier):
        said.append(
            f"the air outside differs ({one} {first['ambient']:z.0f} degC, "
            f"{first['barometer']:z.1f} kPa; {other} {second['ambient']:z.0f} degC, "
            f"{second['barometer']:z.1f} kPa) and nothing is corrected (--correct)"
        )
    if asked.method is Correction.NONE and not all(
        isfinite(group[what]) for group in (first, second) for what in ("ambient", "barometer")
    ):
        said.append("the air outside is not known in all runs: whether it differs can't be told")
    if asked.method is not Correction.NONE:
        if asked.boosted:
            said.append(
                "the correction presumes that power follows the air outside; an engine that holds "
                "its boost makes up for part of that, and is corrected by too much"
            )
        if groups[0].runs[0].as_logged:
            said.append("torque as logged is corrected here: a dyno may have done so already")
    return said


def _of_spray(asked: Asked, groups: tuple[Group, Group]) -> list[str]:
    if not asked.by_spray:
        return []
    if any(run.sprayed is None for group in groups for run in group.runs):
        return ["no channel tells whether spray flowed: which runs were dry is as you say"]
    return []


def cautions_of(asked: Asked, groups: tuple[Group, Group]) -> list[str]:
    """Return what such runs do to the engine, a sentence each; none where they do it no harm."""
    peak_kpa = np.fmax.reduce(groups[0].beside["boost_kpa"], axis=None)
    if not asked.by_spray or not peak_kpa > asked.dry_limit_kpa:
        return []
    return [
        f"dry runs reach {peak_kpa:z.0f} kPa, above the dry limit of "
        f"{asked.dry_limit_kpa:z.0f} kPa: the engine doesn't hold that without spray"
    ]
