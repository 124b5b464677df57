"""The simulated plant of the demonstration, and its stand-in for the district office."""
