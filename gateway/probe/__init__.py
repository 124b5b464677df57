"""What an integrator asks a device on site: who is there, what stands in it, and where a displayed value lies."""
