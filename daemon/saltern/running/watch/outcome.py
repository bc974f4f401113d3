"""A determination that has just come to its end: what of it the keeper is alerted to."""

from collections.abc import Iterator

from saltern.model.determination import Determination, Notice, Source
from saltern.model.verdict import Verdict
from saltern.running.watch.watched import Watched


def of_outcome(outcome: Determination, after_doubt: str = "") -> Iterator[Watched]:
    """Check how a run went; `after_doubt` says what became of a suspect result before it."""
    verdict = outcome.alkalinity.verdict
    reasons = ", ".join(reason.value for reason in outcome.alkalinity.reasons)
    first = outcome.remarks[0] if outcome.remarks else ""
    yield Watched(verdict is Verdict.VOID, "determination-void", f"no result: {reasons}. {first}")
    doubted = f"a result was not accepted: {reasons}"
    yield Watched(verdict is Verdict.SUSPECT, "determination-suspect", doubted, over=after_doubt)
    step = outcome.noticed.get(Notice.STEP_UNEXPLAINED, "")
    measured = outcome.alkalinity.value is not None and outcome.source is Source.TANK
    if measured and (step or verdict is not Verdict.SUSPECT):
        yield Watched(bool(step), Notice.STEP_UNEXPLAINED.value, step)
    slow = outcome.noticed.get(Notice.ELECTRODE_SLOW, "")
    yield Watched(bool(slow), Notice.ELECTRODE_SLOW.value, slow)
