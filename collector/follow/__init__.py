"""Followers of the log: each reads the job folder, each may die and start again without losing anything."""
