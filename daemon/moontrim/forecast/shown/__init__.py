"""A finished forecast as tables, pictures, plain data and a calendar."""
