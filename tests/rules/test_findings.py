"""The registry of findings."""

from rules.findings import FINDINGS
from rules.step.state import FINDING_NAMES
from tests.kit.rigs import ALL_CHANNELS


def test_registry_of_findings_is_complete() -> None:
    """Every finding has a label, a response and what to check first; its channels exist."""
    assert tuple(f.name for f in FINDINGS) == FINDING_NAMES
    for finding in FINDINGS:
        assert finding.label
        assert finding.response
        assert finding.check_first
        assert set(finding.needs) <= set(ALL_CHANNELS)
