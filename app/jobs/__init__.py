"""The job engine: claiming work under a lease, keeping it alive, finishing it once. Knows no database and no task."""
