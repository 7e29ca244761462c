"""MIDI controllers: bindings, pick-up, lamps."""
