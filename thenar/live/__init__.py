"""The live bench: a loop paced against the wall clock in a process of its own, and the page that drives it."""
