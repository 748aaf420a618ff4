"""From wires to the log, and everything that follows the log."""
