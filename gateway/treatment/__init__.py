"""The trade's arithmetic, pure: contact time, disinfection credit, dose, statistics of turbidity."""
