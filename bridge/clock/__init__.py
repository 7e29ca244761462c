"""Time: tick to nanosecond and back, a MIDI clock followed, transport as one table.

Pure: no clock is read here; every `now` is handed in, as integer nanoseconds of one monotonic
clock. See `tempo` (Anchor, TempoMap, Tap), `follower` (MIDI clock in), `transport` (start, stop,
position) and `source` (which clock leads).
"""
