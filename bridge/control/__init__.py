"""The one door for commands, who owns what, the link to the player, the state as clients see it."""
