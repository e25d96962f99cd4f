"""Plates and scene to files: target sheets, flat patterns, solids, and pictures drawn back into the photos."""
