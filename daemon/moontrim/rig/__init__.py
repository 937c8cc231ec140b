"""The one owner of a driver: its connection, its dials, and what others ask of the radio."""
