"""What a season of a whole state costs: writers, pages, workers, carriers of jobs, and a simulation fitted to them."""
