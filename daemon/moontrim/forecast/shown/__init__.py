"""A finished forecast as text, pictures, calendar and plain data."""
