"""The connection to the broker, and the web server of the phone page."""
