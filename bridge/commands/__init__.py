"""Commands that are more than a few lines; `bridge.cli` loads each one when it is called."""
