"""The MQTT connection and the web server."""
