"""`standwatch alarm-test`: send a test message through every target of every alarm of a job."""

from __future__ import annotations

from pathlib import Path

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import load_job
from collector.follow import tell
from collector.follow.alarm_rules import load_rules


def run_alarm_test(folder: Path) -> None:
    """Send, and say for each alarm how many targets took it.

    Raises
    ------
    InputError
        The job or an alarm is refused, there is none, or a target did not take the message.
    """
    job = load_job(folder)
    rules = load_rules(job.alarm, folder)
    if not rules:
        raise InputError(f"{folder}: no [[alarm]] in the job; expected at least one")
    failed = []
    for rule in rules:
        title, text = f"TEST {rule.name}", f"a test of the alarms of {job.job.name}: nothing has happened"
        addresses = [*rule.targets, *rule.escalation]
        taken = sum(tell.send(address, title, text, "info") for address in addresses)
        if rule.sound:
            tell.sound()
        print(f"{rule.name}: {taken} of {len(addresses)} targets took it" + (", and it rang" if rule.sound else ""))
        if taken < len(addresses):
            failed.append(rule.name)
    if failed:
        raise InputError(
            f"{', '.join(failed)}: a target did not take the test; expected an address that can be reached"
        )
