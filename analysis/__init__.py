"""What a job's log says: pure functions from rows to findings, verdicts and the report."""
