"""The tables of a drafted rig's channels: the log's columns, with an explained rig's remarks."""

from collections.abc import Mapping, Sequence
from typing import Final

from monitor.commission.guessing import Guess, Sure
from monitor.commission.rig_text import ASKED, TO_DO, RigText
from rules.channels import CHANNEL_BY_NAME, CHANNEL_NAMES, WITNESSES
from simulator.rig import shipped_rigs
from simulator.rig.toml_places import as_toml
from simulator.strict import read_text

EXPLAINED: Final = "brindle"  # its remarks explain every key
_DECIDING: Final = frozenset({"boost_kpa", "delivered_ml_min"})
_YOUNG_S: Final = 0.2  # these must be no older; as in the explained rig


def witness_of(channels: Mapping[str, Guess]) -> str:
    """Return the channel that tells whether spray arrives; empty where none does."""
    names = [CHANNEL_NAMES[column - 1] for column in WITNESSES]
    return next((name for name in names if name in channels), "")


def write_channels(
    rig: RigText,
    mapped: Mapping[str, Guess],
    needed: Sequence[str],
    period_s: float,
    most_ml_min: float,
) -> None:
    """Write a table for each channel, and take out what hangs on those that aren't there.

    One in doubt that the rig can do without becomes a remark.

    Args:
        rig: The rig in the making.
        mapped: Channels and their columns.
        needed: Channels it can't do without.
        period_s: Time from one row to the next.
        most_ml_min: Beyond it no flow is plausible.
    """
    explained = RigText(read_text(shipped_rigs()[EXPLAINED]))
    places = explained.blocks()
    theirs = {
        name: explained.toml[slice(*places[f"channels.{name}"])]
        for name in CHANNEL_NAMES
        if f"channels.{name}" in places
    }
    first = next(iter(theirs.values()))
    intro = first[: first.index("[channels.")]
    rig.drop(*(name for name in rig.blocks() if name.startswith("channels.")))
    texts, notes, doubtful = [], [], []
    for name in CHANNEL_NAMES:
        guess = mapped.get(name)
        if guess is None:
            continue
        if guess.sure is Sure.ASK and name not in needed:
            doubtful.append(_as_remark(guess))
            continue
        text, noted = _channel(
            guess, theirs.get(name, f"[channels.{name}]\n"), period_s, most_ml_min
        )
        texts.append(text.removeprefix(intro) if name == CHANNEL_NAMES[0] else text)
        notes.append((name, noted))
    before = rig.blocks().get("time", (len(rig.toml), 0))[0]
    block = intro.rstrip() + "\n\n" + "\n".join(texts + doubtful)
    rig.toml = f"{rig.toml[:before].rstrip()}\n\n{block.rstrip()}\n\n{rig.toml[before:]}"
    for name, noted in notes:
        rig.note(("channels", name, "column"), noted)
        rig.note(("channels", name, "unit"), "")
        rig.note(("channels", name, "absolute"), "")
        if 3.0 * _pause_s(mapped[name], period_s) > _usual_s(name):
            rig.note(("channels", name, "max_age"), "log: three of its pauses")
    there = {guess.channel for guess in mapped.values() if guess.sure is not Sure.ASK} | {*needed}
    for limit in ("injector_duty_pct", "intake_c", "knock"):
        if limit not in there:
            rig.drop(f"limits.{limit}")
    if "knock" in there and mapped["knock"].unit != "deg":
        rig.drop("limits.knock")  # what is too much of an intensity only its sensor's maker knows
    if "delivered_ml_min" not in there:
        rig.drop("flow_sensor")
    if witness_of({name: mapped[name] for name in there}) != "intake_c":
        rig.drop("charge_sensor")
    if not there & {"commanded_ml_min", "command_pct"}:
        rig.cut(("watch", "no_command_above"))


def _channel(guess: Guess, theirs: str, period_s: float, most_ml_min: float) -> tuple[str, str]:
    """Return a channel's table as text, and where its column comes from."""
    name = guess.channel
    settled = guess.sure is Sure.ASK or guess.why == ASKED
    told = guess.why if settled else f"{guess.sure.word}: {guess.why}"
    lines = [f"column = {as_toml(guess.header)}", f"unit = {as_toml(guess.unit)}"]
    lines += ["absolute = true"] * guess.absolute
    if name == "delivered_ml_min":
        lines.append(f'plausible = ["0 mL/min", "{most_ml_min:z.0f} mL/min"]')
    above, header, rest = theirs.partition(f"[channels.{name}]\n")
    kept = [line for line in rest.rstrip().split("\n") if line]
    kept = [line for line in kept if line.partition(" =")[0] not in {"plausible", "max_age"}]
    usual_s, pause_s = _usual_s(name), _pause_s(guess, period_s)
    if name in _DECIDING or 3.0 * pause_s > usual_s:
        lines.append(f'max_age = "{max(usual_s, 3.0 * pause_s):z.2g} s"')
    return above + header + "\n".join(lines + kept) + "\n", told


def _usual_s(name: str) -> float:
    """Return how old a value of a channel may usually get, s."""
    return _YOUNG_S if name in _DECIDING else CHANNEL_BY_NAME[name].max_age_s


def _pause_s(guess: Guess, period_s: float) -> float:
    """Return how far apart values of a column come, s."""
    return period_s / max(guess.spread.sent if guess.spread is not None else 1.0, 1e-3)


def _as_remark(guess: Guess) -> str:
    """Return the table of a doubtful channel, as a remark that only needs its marks taken off."""
    lines = [f"[channels.{guess.channel}]", f"column = {as_toml(guess.header)}"]
    lines += [f"unit = {as_toml(guess.unit)}"] + ["absolute = true"] * guess.absolute
    doubt = f"{TO_DO}{guess.why}. Take the marks off where this is right.\n"
    return doubt + "".join(f"# {line}\n" for line in lines)
