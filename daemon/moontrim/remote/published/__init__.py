"""What is published, and when."""
