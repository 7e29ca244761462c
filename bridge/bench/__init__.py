"""What surrounds the playing: tuning, soundcheck, scope, self-test."""
