"""Lanebridge: a headless MIDI and CV bridge for small modular rigs."""

__version__ = "0.1.0"
