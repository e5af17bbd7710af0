"""Depthline: from dimple patterns and depths to the depth to cut."""

__version__ = "0.1.0"
