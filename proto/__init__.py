"""The vocabulary that agent and collector share; imports neither of them."""
