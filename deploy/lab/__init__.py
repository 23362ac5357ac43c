"""Simulated clocks and networks with known truth, and the demonstration fleet."""
