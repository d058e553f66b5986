"""Every channel that feels the spray, weighed and added up."""

from rules.channels import DELIVERED, INTAKE
from rules.step.arithmetic import smaller
from rules.step.charge import weigh_charge
from rules.step.constants import Constants
from rules.step.evidence import weigh
from rules.step.line import weigh_line
from rules.step.state import State


def weigh_witnesses(k: Constants, s: State, dt_s: float) -> None:
    """Enter ``dt_s`` of each channel's readings into its evidence, and join them.

    One that has not come anew says nothing of the time since. Called where every essential reading
    is usable.
    """
    if k.witness_column == DELIVERED and s.age_s[DELIVERED] == 0.0:
        weigh(k, s, s.value[DELIVERED], s.unread_s)
        s.unread_s = 0.0
    line = k.line_column
    if line > 0 and (s.age_s[line] == 0.0 or s.usable[line] == 0.0):
        weigh_line(k, s, s.line_unread_s)
        s.line_unread_s = 0.0
    s.evidence = s.flow_evidence
    if s.line_wrong == 0.0:
        s.evidence = s.flow_evidence + s.line_evidence
    if k.cooled_column > 0:
        weigh_charge(k, s, dt_s)
        # Weather and traffic may lead it astray for long: it adds what the others say at most.
        s.evidence = s.evidence + smaller(s.evidence, s.charge_evidence)
        if k.witness_column == INTAKE:
            s.evidence = s.charge_evidence
