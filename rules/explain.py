"""Why an action is taken, in one sentence with numbers."""

from math import inf

from rules import channels as ch
from rules.clock_pace import pace_in_words
from rules.facts import Action, CommandKind, Rig
from rules.findings import FINDINGS
from rules.step import state as st
from rules.step.from_rig import essential_columns, limit_nats, witness_column
from rules.step.state import Decision
from rules.step.watch import SWITCH_FOR_S

# By the line's pressure, if by more than half: where both say all they can, the flow is told.
_MOSTLY = 1.9
_LEAST_TOLD_ML = 0.005  # less would be told as nought
_NEXT_TO_ALL = 0.85  # of the spray is missing, as far as a lagging reading can tell


def what_is_done(decision: Decision) -> str:
    """Say what is being done to the engine, as a clause: "pull 5.5 deg of timing"."""
    action = Action(int(decision.action))
    retard = f"pull {decision.retard_deg:z.1f} deg of timing"
    if action is Action.CUT_BOOST:
        cut = f"cut boost to {decision.boost_ceiling_kpa:z.0f} kPa"
        return f"{cut} and {retard}" if decision.retard_deg > 0.0 else cut
    if action is Action.PULL_TIMING:
        return retard
    return "warn" if action is Action.WARN else "no action"


def explain(rig: Rig, finding: int, decision: Decision) -> str:
    """Explain a finding at the moment its level rose.

    Args:
        rig: The rig the decision was made with.
        finding: Index into ``FINDING_NAMES``.
        decision: The decision in which the level rose.
    """
    level = Action(int(decision.level[finding]))
    if finding in _WHY:
        why = _WHY[finding](rig, level, decision)
    else:
        why = _explain_limit(rig, finding, decision)
    done = what_is_done(decision)
    if level < Action(int(decision.action)):
        done = f"{level.word.replace('_', ' ')}, where more is done already ({done})"
    return f"{why[0].upper()}{why[1:]}: {done}."


def _at_boost(decision: Decision) -> str:
    if decision.boost_kpa == decision.boost_kpa:
        return f"at {decision.boost_kpa:z.0f} kPa boost"
    return "at unknown boost"


def _arrives(rig: Rig, decision: Decision) -> str:
    """Say what the witness of the spray reads, as a clause."""
    if witness_column(rig) == ch.DELIVERED:
        return _flows(decision)
    if witness_column(rig) == ch.INTAKE:
        return _intake(decision)
    return f"line pressure {decision.value[ch.LINE]:z.0f} of {decision.line_due_kpa:z.0f} kPa due"


def _why_not_judged(rig: Rig, decision: Decision) -> str:
    """Say why nothing that is missing could be told now; empty where it could.

    A flow is judged at any time: what nobody asked for shows in it, too.
    """
    witness = witness_column(rig)
    due = {ch.LINE: decision.line_due_kpa, ch.INTAKE: decision.charge_due_c}.get(witness, 0.0)
    if due == due:
        return ""
    label = ch.CHANNELS[witness - 1].label
    little = f"too little is due {_at_boost(decision)}, or too lately, for {label} to tell"
    return _none_due(rig, decision) or little


def _none_due(rig: Rig, decision: Decision) -> str:
    """Say from where on spray is due; empty where it is."""
    if decision.expected_ml_min >= rig.flow_sensor.floor_ml_min:
        return ""
    if rig.command.kind in (CommandKind.LOG_FLOW, CommandKind.LOG_PERCENT):
        return f"no spray is commanded {_at_boost(decision)}"
    onset_kpa = rig.command.start_boost_kpa
    if decision.boost_kpa < onset_kpa:
        return f"no spray is due {_at_boost(decision)}, it begins at {onset_kpa:z.0f} kPa"
    return f"hardly any spray is due {_at_boost(decision)}"


def _intake(decision: Decision) -> str:
    due_c = decision.charge_due_c
    reads = f"{decision.value[ch.INTAKE]:z.0f} degC in the intake"
    return f"{reads} ({due_c:z.0f} degC due)" if due_c == due_c else reads


def _flows(decision: Decision) -> str:
    return f"{_read(decision)} arrive"


def _read(decision: Decision) -> str:
    delivered, expected = decision.value[ch.DELIVERED], decision.expected_ml_min
    return f"{delivered:z.0f} of {expected:z.0f} mL/min"


def _explain_under_delivery(rig: Rig, level: Action, decision: Decision) -> str:
    allowed = "hardly a car" if level is Action.WARN else "no car"
    reads = f"{_read(decision)} for {1000.0 * decision.short_s:z.0f} ms"
    due_kpa = decision.line_due_kpa
    if due_kpa == due_kpa and _MOSTLY * decision.line_evidence > decision.quick_evidence:
        reads = f"{decision.value[ch.LINE]:z.0f} of {due_kpa:z.0f} kPa in the line"
        if decision.line_high > 0.0:
            reads = f"{reads} (high: a clog or a closed valve)"
    elif witness_column(rig) == ch.LINE:
        reads = f"{decision.value[ch.LINE]:z.0f} kPa in the line"
    elif witness_column(rig) == ch.INTAKE:
        reads = _intake(decision)
    digits = 1 if level is Action.WARN else 0  # so near its limit a whole number would be it
    owed = f"{decision.debt_s:z.2f} s of full flow ({decision.debt_ml:z.2f} mL) missing"
    if decision.debt_ml < _LEAST_TOLD_ML:
        owed = "too early to say how much is missing"
    found = (
        f"evidence {decision.evidence:z.{digits}f} of {limit_nats(rig):z.{digits}f}: {allowed} "
        f"this rig allows for would read {reads} {_at_boost(decision)}; {owed}"
    )
    if level is not Action.CUT_BOOST:
        return found
    if decision.debt_s >= rig.debt.cut_s:
        return f"{found}, {rig.debt.cut_s:z.2f} s cut boost"
    if decision.debt_ml >= rig.debt.cut_ml:
        return f"{found}, {rig.debt.cut_ml:z.2f} mL cut boost"
    if decision.retard_deg >= rig.ladder.max_retard_deg:
        most = f"{rig.ladder.max_retard_deg:z.1f} deg"
        return f"{found}, more than {most} of timing can take back"
    return f"{found}, still so after {rig.ladder.shortfall_outlasts_s:z.1f} s of pulled timing"


def _logger_is_frozen(rig: Rig, decision: Decision) -> bool:
    """Whether nothing that comes moves: some channels stuck, none healthy."""
    healths = {decision.health[ch.COLUMN_OF[terms.name]] for terms in rig.channels}
    return st.STUCK in healths and st.HEALTHY not in healths


def _unhealthy(rig: Rig, decision: Decision, column: int) -> str:
    """Say what is wrong with a channel; where its reading is implausible, what it reads, too."""
    known = ch.CHANNELS[column - 1]
    told = f"{known.label} {st.HEALTH_WORDS[int(decision.health[column])]}"
    if decision.health[column] != st.IMPLAUSIBLE or decision.refused_column != column:
        return told
    if column == ch.TANK_SWITCH:
        return f"{told} (reads {_plain(decision.refused)}, plausible are 0 and 1)"
    terms = next(terms for terms in rig.channels if terms.name == known.name)
    guess = "another unit, or the rig's range?"
    if column == ch.BOOST and terms.low <= decision.refused - rig.engine.ambient_kpa <= terms.high:
        guess = "absolute for gauge, or another unit?"
    unit = "" if known.unit == "1" else f" {known.unit}"
    return (
        f"{told} (reads {_plain(decision.refused)}{unit}, plausible from "
        f"{_plain(terms.low)}{unit} to {_plain(terms.high)}{unit}: {guess})"
    )


def _plain(value: float) -> str:
    """Return a reading to four digits, never as a power of ten."""
    return f"{value:z.0f}" if abs(value) >= 1000.0 else f"{value:z.4g}"


def _ill(rig: Rig, decision: Decision) -> str:
    wrong = _wrong_clock(decision)
    if _logger_is_frozen(rig, decision) and not wrong:
        return "the logger repeats itself"
    columns = [c for c in essential_columns(rig) if decision.health[c]]
    ill = [_unhealthy(rig, decision, c) for c in columns]
    return ", ".join(ill + wrong) or "the clock is in doubt"


def _not_believed(rig: Rig, decision: Decision) -> list[str]:
    if witness_column(rig) != ch.INTAKE or decision.charge_wrong == 0.0:
        return []
    return ["intake temperature hotter than without any spray, or sooner"]


def _wrong_clock(decision: Decision) -> list[str]:
    if decision.clock_pace == 1.0:
        return []
    return [f"the source's clock runs {pace_in_words(decision.clock_pace)}"]


def _explain_loss(rig: Rig, level: Action, decision: Decision) -> str:
    clock = _wrong_clock(decision)
    if _logger_is_frozen(rig, decision) and not clock:
        return (
            "the logger repeats itself: no channel has had a new value for more than "
            f"{rig.watch.logger_stuck_after_s:z.1f} s, the last boost was "
            f"{decision.value[ch.BOOST]:z.0f} kPa, so the spray cannot be judged"
        )
    columns = [ch.COLUMN_OF[terms.name] for terms in rig.channels]
    essential = essential_columns(rig)
    ill = [c for c in columns if decision.health[c] != st.HEALTHY]
    ill.sort(key=lambda c: c not in essential)
    # A reading can be usable again by the time a latched level is explained.
    clock += _not_believed(rig, decision)
    named = ", ".join([*(_unhealthy(rig, decision, c) for c in ill), *clock])
    if level >= Action.PULL_TIMING or clock or any(c in essential for c in ill):
        return f"{named or 'signal lost'} {_at_boost(decision)}, so the spray cannot be judged"
    return f"{named or 'signal lost'} {_at_boost(decision)}"


def _explain_limit(rig: Rig, finding: int, decision: Decision) -> str:
    name = FINDINGS[finding].limit or ""
    channel, limit = ch.CHANNEL_BY_NAME[name], getattr(rig.limits, name)
    return (
        f"{channel.label} {decision.value[ch.COLUMN_OF[name]]:z.1f} {channel.unit} has been above "
        f"its limit of {limit.above:z.1f} {channel.unit} for {limit.for_s:z.2f} s"
    )


def _explain_no_command(rig: Rig, level: Action, decision: Decision) -> str:
    return (
        f"no spray is commanded {_at_boost(decision)}, above "
        f"{rig.watch.no_command_above_kpa:z.0f} kPa where it must be, for more than "
        f"{rig.watch.no_command_for_s:z.2f} s"
    )


def _explain_over(rig: Rig, level: Action, decision: Decision) -> str:
    return (
        f"more comes than any car this rig allows for would spray: {_flows(decision)} "
        f"{_at_boost(decision)}; {decision.excess_ml:z.2f} mL too much "
        f"(limit {rig.watch.over_ml:z.2f})"
    )


def _explain_unasked(rig: Rig, level: Action, decision: Decision) -> str:
    return (
        f"{decision.value[ch.DELIVERED]:z.0f} mL/min flow though nothing is commanded, "
        f"{decision.excess_ml:z.1f} mL so far {_at_boost(decision)} (hydrolock: do not crank an "
        "engine that stood like this)"
    )


def _explain_cooling(rig: Rig, level: Action, decision: Decision) -> str:
    reads = _intake(decision)
    if decision.charge_wrong > 0.0:
        return (
            f"{reads} {_at_boost(decision)}: without any spray it would be no hotter, nor so soon: "
            "that sensor isn't believed"
        )
    allowed = "hardly a car" if level is Action.WARN else "no car"
    found = (
        f"evidence {decision.charge_evidence:z.0f} of {limit_nats(rig):z.0f}: {allowed} this rig "
        f"allows for would read {reads} with {_read(decision)} {_at_boost(decision)}"
    )
    if level is Action.WARN and any(terms.name == "line_kpa" for terms in rig.channels):
        return f"{found}, line right"
    return found


def _explain_persisting(rig: Rig, level: Action, decision: Decision) -> str:
    return (
        f"knock {decision.value[ch.KNOCK]:z.1f} stays above its limit of "
        f"{rig.limits.knock.above:z.1f} {rig.watch.knock_persists_for_s:z.2f} s after timing was "
        "to be pulled"
    )


def _explain_tank(rig: Rig, level: Action, decision: Decision) -> str:
    mapped = {terms.name for terms in rig.channels}
    if "tank_ml" not in mapped or decision.value[ch.TANK_SWITCH] > 0.0:
        return f"the tank's switch has read low for {SWITCH_FOR_S:z.0f} s"
    left = "" if decision.tank_s == inf else f", {decision.tank_s:z.0f} s of spray at this rate"
    return f"{decision.value[ch.TANK]:z.0f} mL left in the tank{left}"


def _explain_clock(rig: Rig, level: Action, decision: Decision) -> str:
    return "the source's clock stepped, so the time between two samples is unknown"


def _explain_not_followed(rig: Rig, level: Action, decision: Decision) -> str:
    watch, mapped = rig.watch, {terms.name for terms in rig.channels}
    at_cut = sum(level >= Action.CUT_BOOST for level in decision.level)
    retard, ceiling = decision.value[ch.CONFIRMED_RETARD], decision.value[ch.CONFIRMED_CEILING]
    unconfirmed = []
    for column, told, follows in (
        (
            ch.CONFIRMED_RETARD,
            f"{retard:z.1f} of {decision.retard_deg:z.1f} deg of retard confirmed",
            retard >= decision.retard_deg - watch.confirm_timing_deg,
        ),
        (
            ch.CONFIRMED_CEILING,
            f"{ceiling:z.0f} kPa confirmed for a ceiling of {decision.boost_ceiling_kpa:z.0f} kPa",
            # A ceiling that this finding alone has just set can't be confirmed yet.
            at_cut <= (level is Action.CUT_BOOST)
            or ceiling <= decision.boost_ceiling_kpa + watch.confirm_boost_kpa,
        ),
    ):
        channel = ch.CHANNELS[column - 1]
        health = decision.health[column]
        if channel.name in mapped and health != st.HEALTHY:
            unconfirmed.append(f"{channel.label} {st.HEALTH_WORDS[int(health)]}")
        elif channel.name in mapped and not follows:
            unconfirmed.append(told)
    within_s = rig.fault_intervals.reaction_s + watch.confirm_within_s
    said = ", ".join(unconfirmed) or "what was asked is not confirmed"
    return f"the engine controller does not follow within {within_s:z.2f} s: {said}"


def _explain_disagreement(rig: Rig, level: Action, decision: Decision) -> str:
    by_flow = any(terms.name == "commanded_ml_min" for terms in rig.channels)
    logged = (
        f"{decision.value[ch.COMMANDED]:z.0f} mL/min"
        if by_flow
        else f"{decision.value[ch.COMMAND_PCT]:z.0f} % of full flow"
    )
    return (
        f"the log says {logged} are commanded, the rig {decision.commanded_ml_min:z.0f} mL/min "
        f"{_at_boost(decision)}, for {rig.watch.cross_check_for_s:z.2f} s: one is wrong, so the "
        "spray cannot be judged"
    )


def _explain_contradiction(rig: Rig, level: Action, decision: Decision) -> str:
    return (
        f"injector duty {decision.value[ch.INJECTOR_DUTY]:z.0f} % at "
        f"{decision.value[ch.ENGINE_SPEED]:z.0f} rpm speaks for {decision.duty_boost_kpa:z.0f} kPa "
        f"of boost, where {decision.value[ch.BOOST]:z.0f} kPa is read, for more than "
        f"{rig.watch.cross_check_for_s:z.2f} s: by that reading no spray can be judged"
    )


def _explain_late(rig: Rig, level: Action, decision: Decision) -> str:
    return "many samples come out of order and are not used"


def _explain_line(rig: Rig, level: Action, decision: Decision) -> str:
    return (
        f"line pressure reads {decision.value[ch.LINE]:z.0f} of {decision.line_due_kpa:z.0f} kPa "
        f"due {_at_boost(decision)}, but {_flows(decision)}: the pressure sensor isn't believed"
    )


def _explain_doubt(rig: Rig, level: Action, decision: Decision) -> str:
    sensor = rig.flow_sensor
    gain_pct = 100.0 * (decision.gain - 1.0)
    return {
        st.HOLDS: f"the flow sensor holds each reading for {1000.0 * decision.holds_s:z.0f} ms: "
        f"say so as refresh (now {1000.0 * sensor.refresh_s:z.0f} ms); until then it is judged as "
        "seldom as it reads",
        st.COARSE: f"the flow sensor reads in steps of {decision.flow_step_ml_min:z.0f} mL/min: "
        f"say so as floor (now {sensor.floor_ml_min:z.0f} mL/min)",
        st.NOISY: f"the flow reading's noise is {100.0 * decision.noise:z.1f} %: raise noise (now "
        f"{100.0 * sensor.noise:z.1f} %), or mend the sensor",
        st.READS_LOW: f"flow reads {-gain_pct:z.0f} % below what the rig makes of nozzles, pump "
        "and mix, as far as gain_within allows: mend those, or the sensor",
        st.READS_HIGH: f"flow reads {gain_pct:z.0f} % above what the rig makes of nozzles, pump "
        "and mix, as far as gain_within allows: mend those, or the sensor",
        st.FELL: "flow has fallen by 2 % or more in this drive and stays so: look for a nozzle "
        "that begins to clog, a pump that fades, low voltage, air",
    }.get(decision.rig_doubt, "what the rig says of the flow sensor fits again")


_WHY = {
    st.UNDER_DELIVERY: _explain_under_delivery,
    st.NO_COMMAND: _explain_no_command,
    st.OVER_DELIVERY: _explain_over,
    st.UNASKED_FLOW: _explain_unasked,
    st.COOLING_MISSING: _explain_cooling,
    st.SIGNAL_LOST: _explain_loss,
    st.KNOCK_PERSISTS: _explain_persisting,
    st.TANK_LOW: _explain_tank,
    st.CLOCK_STEP: _explain_clock,
    st.LATE_SAMPLES: _explain_late,
    st.NOT_FOLLOWED: _explain_not_followed,
    st.COMMAND_DISAGREES: _explain_disagreement,
    st.BOOST_CONTRADICTED: _explain_contradiction,
    st.RIG_DOUBTED: _explain_doubt,
    st.LINE_DOUBTED: _explain_line,
}


def status(rig: Rig, decision: Decision) -> str:
    """Say in one line what is being done to the engine now, and why."""
    action = Action(int(decision.action))
    if action is Action.NO_ACTION:
        if decision.all_healthy == 0.0:
            return f"No action: {_ill(rig, decision)}, so the spray is not being judged."
        if unjudged := _why_not_judged(rig, decision):
            return f"No action, spray not judged: {unjudged}."
        reads = f"{_arrives(rig, decision)} {_at_boost(decision)}"
        return f"No action: {_none_due(rig, decision) or reads}."
    finding = int(decision.finding)
    done = what_is_done(decision)
    label = FINDINGS[finding].label
    if decision.expected_ml_min < rig.flow_sensor.floor_ml_min and action >= Action.PULL_TIMING:
        below = f"until boost stays below {rig.ladder.release_below_kpa:z.0f} kPa"
        return f"{done[0].upper()}{done[1:]}: {label}, latched {below}."
    if finding == st.UNDER_DELIVERY:
        percent = f"{100.0 * decision.missing_share:z.0f} % of the spray"
        missing = f"{percent} missing"
        if witness_column(rig) != ch.DELIVERED:  # no flow is measured: it follows from the witness
            missing = f"{_arrives(rig, decision)}, {percent} reckoned missing"
            if _why_not_judged(rig, decision):
                missing = "spray not judged now"
        elif decision.missing_share >= _NEXT_TO_ALL:
            missing = "next to nothing arrives"
        debt = f"{decision.debt_s:z.2f} s of full flow"
        return f"{done[0].upper()}{done[1:]}: {label}, debt {debt}, {missing}."
    return f"{done[0].upper()}{done[1:]}: {label}."


def ceiling_or_none(decision: Decision) -> float | None:
    """Return the boost ceiling, or None where there is none (JSON has no infinity)."""
    return None if decision.boost_ceiling_kpa == inf else decision.boost_ceiling_kpa
