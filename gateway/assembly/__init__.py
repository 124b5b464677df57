"""The one place where the objects of a process are made and wired: one module a process."""
