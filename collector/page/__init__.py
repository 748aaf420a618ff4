"""The live page: a follower of the log with a process of its own; only that process imports the page's library."""
