"""Real-time Doppler correction for moonbounce (Earth-Moon-Earth) over rig control."""

__version__ = "0.1.0"
