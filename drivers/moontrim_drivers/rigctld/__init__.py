"""Hamlib's network rig-control protocol over TCP, spoken directly."""
