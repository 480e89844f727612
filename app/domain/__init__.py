"""Words everyone shares: errors, units, ids, frozen result types."""
