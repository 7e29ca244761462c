"""Starts the player and the service, watches both, closes outputs when they cannot."""
