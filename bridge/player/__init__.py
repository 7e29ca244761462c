"""The real-time process: song clock, timeline, ports in use, frames."""
