"""Services: load, one pure call, save. They know the database, files and jobs, and no HTTP; they never commit."""
