"""One module a command; what is heavy is imported when the command runs."""
