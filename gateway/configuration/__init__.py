"""A site folder to checked rules: ``plant.load_site`` reads, checks and converts it."""
