"""The set and the rig that are loaded: reading, swapping, saving, opening, the chart."""
