"""PURE: what processes and clients say to each other: commands, their limits, the state."""
