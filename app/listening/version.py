"""The version of everything that turns samples into findings. A stored result keeps it, so stale ones are visible."""

ALGORITHM_VERSION = "1.5.0"
