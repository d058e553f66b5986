"""Which fault is it: causes ranked by how well they fit the signatures, and what can't be told.

A naive Bayes score: for each cause a table says how likely each state of each signature is;
a reading belongs to the states by softened shares, the logarithms add up, and the sum is tempered
since signatures are not independent (lost spray warms the intake *and* leans the mixture). A
signature without a reading adds nothing to any cause.

"None of these" is the cause that makes every state equally likely: it wins where the evidence fits
nothing better. This is advice for whoever looks for the fault, no part of any action.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import exp, log
from typing import Final

from rules.causes.known import (
    CAUSES,
    HEALTHY_LOOKS,
    NONE_OF_THESE,
    NOTHING_WRONG,
    Table,
)
from rules.causes.readings import Readings
from rules.causes.signatures import SIGNATURE_BY_NAME, SIGNATURES, Signature
from rules.channels import DELIVERED, label_of_channel
from rules.facts import Rig
from rules.step.from_rig import witness_column
from rules.step.state import Decision

_TEMPER: Final = 0.8  # how much of each signature's evidence counts
_NEAR: Final = 0.2  # a cause this near to the top one's likelihood is still in question
_APART: Final = 0.5  # half the summed difference at which a signature would tell two causes apart
_MOST_EVIDENCE: Final = 4
_WORDS: Final = {"supply_v": "pump supply voltage", "tank_ml": "tank level"}  # others: labels


@dataclass(frozen=True, slots=True)
class Doubt:
    """Causes that can't be told apart.

    Attributes:
        causes: Their names, likeliest first.
        channels: Any of these, healthy and seen under spray, would tell; empty where none would.
        labels: What they are called in this car.
    """

    causes: tuple[str, ...]
    channels: tuple[str, ...]
    labels: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The doubt in words."""
        labels = ", or ".join(self.labels)
        if not self.channels:
            return f"{labels}: can't tell these apart by what the sensors show"
        words = " or ".join(_WORDS.get(name, label_of_channel(name)) for name in self.channels)
        return f"{labels}: can't tell these apart without {words}"


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause and how well it fits.

    Attributes:
        name: As in files.
        label: In the trade's words.
        likelihood: 0 to 1; all causes of a ranking sum to 1.
        evidence: What speaks for it, in numbers, strongest first; may be empty.
        check_first: What to look at on the car.
        cannot_tell: Which causes it can't be told from, and what is missing for it.
    """

    name: str
    label: str
    likelihood: float
    evidence: tuple[str, ...]
    check_first: str
    cannot_tell: tuple[Doubt, ...]


def chance(cause: str, signature: Signature) -> tuple[float, ...]:
    """Return how likely each state of a signature is, given a cause; sums to 1."""
    if cause == NONE_OF_THESE:
        return (1.0 / len(signature.states),) * len(signature.states)
    return CAUSES[cause].looks.get(signature.name, HEALTHY_LOOKS[signature.name])


class CauseRanker:
    """Ranks causes from a guard's decisions; feed it every one.

    Memory and time per decision are constant. The result depends on the decisions alone. After a
    pull the readings stay as they were, until the next spray brings new ones.

    Args:
        rig: The rig whose guard makes the decisions.
    """

    def __init__(self, rig: Rig) -> None:
        self.readings = Readings(rig)
        witness = witness_column(rig)
        # By cause that this car can have: what it is called there.
        self._labels = {
            name: known.label if witness == DELIVERED else known.alone or known.label
            for name, known in CAUSES.items()
            if known.of_witness in (0, witness)
        }

    def feed(self, decision: Decision) -> None:
        """Take a decision into account; one that is late or no newer than the last is ignored."""
        self.readings.take(decision)

    def rank(self, without: tuple[str, ...] = ()) -> tuple[Cause, ...]:
        """Return every cause that this car can have, likeliest first.

        Args:
            without: Channels to take as missing: what would be said if they were not there.
        """
        seen = {
            signature.name: signature.membership(self.readings.x[signature.name])
            for signature in SIGNATURES
            if self.readings.available(signature, without)
        }
        likelihoods = _likelihoods(seen, self._labels)
        order = sorted(self._labels, key=lambda name: -likelihoods[name])
        return tuple(
            Cause(
                name,
                self._labels[name],
                likelihoods[name],
                self._evidence(name, seen, likelihoods),
                CAUSES[name].check_first,
                self._doubts(name, order, seen, likelihoods, without),
            )
            for name in order
        )

    def _evidence(self, cause: str, seen: Table, likelihoods: dict[str, float]) -> tuple[str, ...]:
        """Say what makes a cause likelier than the others together."""
        if not seen:
            return ("no spray under boost seen yet",) if cause == NONE_OF_THESE else ()
        if cause == NONE_OF_THESE:
            return ()
        found = []
        for name, shares in seen.items():
            signature = SIGNATURE_BY_NAME[name]
            rivals = [
                (1.0 if other == NONE_OF_THESE else CAUSES[other].prior, _fit(other, name, shares))
                for other in self._labels
                if other != cause
            ]
            usual = sum(weight * fit for weight, fit in rivals) / sum(w for w, _ in rivals)
            gain = log(_fit(cause, name, shares) / usual)
            state = shares.index(max(shares))
            odd = state != signature.normal
            if gain > (0.1 if odd else 0.25) and chance(cause, signature)[state] > 0.15:
                found.append((not odd, -gain, signature.say(state, self.readings.x[name])))
        if not found and cause == NOTHING_WRONG and likelihoods[cause] > 0.5:
            return ("every signature is as in a healthy system",)
        return tuple(sentence for _, _, sentence in sorted(found)[:_MOST_EVIDENCE])

    def _doubts(
        self,
        cause: str,
        order: list[str],
        seen: Table,
        likelihoods: dict[str, float],
        without: tuple[str, ...],
    ) -> tuple[Doubt, ...]:
        """Group what a cause can't be told from by the channels that would tell."""
        top = likelihoods[order[0]]
        if not seen or cause == NONE_OF_THESE or likelihoods[cause] < _NEAR * top:
            return ()
        groups: dict[tuple[str, ...], list[str]] = {}
        for other in order:
            if other in (cause, NONE_OF_THESE) or likelihoods[other] < _NEAR * top:
                continue
            missing = [
                channel
                for signature in SIGNATURES
                if signature.name not in seen and _apart(cause, other, signature) >= _APART
                for channel in self.readings.missing(signature, without)
            ]
            groups.setdefault(tuple(dict.fromkeys(missing)), []).append(other)
        found = []
        for channels, others in groups.items():
            causes = tuple(sorted((cause, *others), key=order.index))
            found.append(Doubt(causes, channels, tuple(self._labels[name] for name in causes)))
        return tuple(found)


def _fit(cause: str, signature: str, shares: tuple[float, ...]) -> float:
    """Return how likely a reading is, given a cause."""
    chances = chance(cause, SIGNATURE_BY_NAME[signature])
    return sum(share * likely for share, likely in zip(shares, chances, strict=True))


def _likelihoods(seen: Table, causes: Iterable[str]) -> dict[str, float]:
    if not seen:
        return {name: float(name == NONE_OF_THESE) for name in causes}
    scores = {
        name: log(CAUSES[name].prior)
        + _TEMPER * sum(log(_fit(name, signature, shares)) for signature, shares in seen.items())
        for name in causes
    }
    best = max(scores.values())
    weights = {name: exp(score - best) for name, score in scores.items()}
    total = sum(weights.values())
    return {name: weight / total for name, weight in weights.items()}


def _apart(one: str, other: str, signature: Signature) -> float:
    """Return how far apart a signature sets two causes: 0 (not at all) to 1 (for certain)."""
    return 0.5 * sum(
        abs(a - b) for a, b in zip(chance(one, signature), chance(other, signature), strict=True)
    )
