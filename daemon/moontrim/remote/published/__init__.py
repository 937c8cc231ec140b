"""What the daemon publishes by MQTT, and when."""
