"""Why an action is taken, in one sentence with numbers."""

from math import inf

from rules import channels as ch
from rules import state as st
from rules.constants import essential_columns
from rules.facts import Action, Limit, Rig
from rules.state import Decision

_LIMITED = {
    st.OVERBOOST: (ch.BOOST, "kPa"),
    st.KNOCK_HIGH: (ch.KNOCK, "deg"),
    st.INTAKE_HOT: (ch.INTAKE, "degC"),
    st.DUTY_HIGH: (ch.INJECTOR_DUTY, "%"),
}


def what_is_done(decision: Decision) -> str:
    """Say what is being done to the engine, as a clause: "pull 5.5 deg of timing"."""
    action = Action(int(decision.action))
    retard = f"pull {decision.retard_deg:.1f} deg of timing"
    if action is Action.CUT_BOOST:
        cut = f"cut boost to {decision.boost_ceiling_kpa:.0f} kPa"
        return f"{cut} and {retard}" if decision.retard_deg > 0.0 else cut
    if action is Action.PULL_TIMING:
        return retard
    return "warn" if action is Action.WARN else "hold"


def explain(rig: Rig, finding: int, decision: Decision) -> str:
    """Explain a finding at the moment its level rose.

    Args:
        rig: The rig the decision was made with.
        finding: Index into ``FINDING_NAMES``.
        decision: The decision in which the level rose.
    """
    level = Action(int(decision[st.LEVEL + finding]))
    if finding == st.UNDER_DELIVERY:
        why = _explain_debt(rig, level, decision)
    elif finding == st.SIGNAL_LOST:
        why = _explain_loss(rig, level, decision)
    elif finding == st.CLOCK_STEP:
        why = "the source's clock stepped, so the time between two samples is unknown"
    else:
        why = _explain_limit(rig, finding, decision)
    done = what_is_done(decision)
    if level < Action(int(decision.action)):
        done = f"{level.word.replace('_', ' ')}, where more is done already ({done})"
    return f"{why[0].upper()}{why[1:]}: {done}."


def _at_boost(decision: Decision) -> str:
    if decision.boost_kpa == decision.boost_kpa:
        return f"at {decision.boost_kpa:.0f} kPa boost"
    return "at unknown boost"


def _explain_debt(rig: Rig, level: Action, decision: Decision) -> str:
    terms = rig.debt
    reached = {
        Action.WARN: ("warning", terms.warn_ml),
        Action.PULL_TIMING: ("pull", terms.pull_ml),
        Action.CUT_BOOST: ("cut", terms.cut_ml),
    }
    flows = (
        f"{decision.value_delivered_ml_min:.0f} of {decision.expected_ml_min:.0f} mL/min expected "
        f"({100.0 * decision.missing_share:.0f} % missing) {_at_boost(decision)}"
    )
    if level is Action.CUT_BOOST and decision.debt_ml < terms.cut_ml:
        return (
            f"delivered {flows}, and the shortfall outlasted "
            f"{rig.ladder.shortfall_outlasts_s:.1f} s of pulled timing"
        )
    name, threshold = reached[level]
    return (
        f"delivered {flows}; debt {decision.debt_ml:.2f} mL passed the {name} threshold of "
        f"{threshold:.2f} mL, {1000.0 * decision.short_s:.0f} ms after the shortfall began"
    )


def _explain_loss(rig: Rig, level: Action, decision: Decision) -> str:
    columns = [ch.CHANNEL_NAMES.index(terms.name) + 1 for terms in rig.channels]
    essential = essential_columns(rig)
    ill = [c for c in columns if decision[st.HEALTH + c] != st.HEALTHY]
    ill.sort(key=lambda c: c not in essential)
    # A reading can be usable again by the time a latched level is explained.
    named = ", ".join(
        f"{ch.CHANNELS[c - 1].label} {st.HEALTH_WORDS[int(decision[st.HEALTH + c])]}" for c in ill
    )
    if level >= Action.PULL_TIMING or any(c in essential for c in ill):
        return f"{named or 'signal lost'} {_at_boost(decision)}, so the spray cannot be judged"
    return f"{named or 'signal lost'} {_at_boost(decision)}"


def _explain_limit(rig: Rig, finding: int, decision: Decision) -> str:
    limits: dict[int, Limit] = {
        st.OVERBOOST: rig.limits.boost_kpa,
        st.KNOCK_HIGH: rig.limits.knock,
        st.INTAKE_HOT: rig.limits.intake_c,
        st.DUTY_HIGH: rig.limits.injector_duty_pct,
    }
    column, unit = _LIMITED[finding]
    limit = limits[finding]
    return (
        f"{ch.CHANNELS[column - 1].label} {decision[st.VALUE + column]:.1f} {unit} has been above "
        f"its limit of {limit.above:.1f} {unit} for {limit.for_s:.2f} s"
    )


def status(rig: Rig, decision: Decision) -> str:
    """Say in one line what is being done to the engine now, and why."""
    action = Action(int(decision.action))
    if action is Action.HOLD:
        if decision.all_healthy == 0.0:
            return "Hold: an essential channel is not healthy, so the spray is not being judged."
        if decision.expected_ml_min < rig.debt.floor_ml_min:
            return f"Hold: no spray expected {_at_boost(decision)}."
        return (
            f"Hold: {decision.delivered_ml_min:.0f} of {decision.expected_ml_min:.0f} mL/min "
            f"arrive {_at_boost(decision)}."
        )
    finding = int(decision.cause)
    done = what_is_done(decision)
    label = st.FINDING_NAMES[finding].replace("_", " ")
    if finding == st.UNDER_DELIVERY:
        missing = f"{100.0 * decision.missing_share:.0f} % of the spray missing"
        return f"{done[0].upper()}{done[1:]}: {label}, debt {decision.debt_ml:.2f} mL, {missing}."
    return f"{done[0].upper()}{done[1:]}: {label}."


def ceiling_or_none(decision: Decision) -> float | None:
    """Return the boost ceiling, or None where there is none (JSON has no infinity)."""
    return None if decision.boost_ceiling_kpa == inf else decision.boost_ceiling_kpa
