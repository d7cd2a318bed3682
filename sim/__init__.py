"""Simulated mount, receiver, line and time. Never imports the driver."""
