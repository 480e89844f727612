"""Engine, tables, migrations and identities. Knows no files, no sheets and no jobs engine."""
