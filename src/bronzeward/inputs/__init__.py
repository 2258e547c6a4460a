"""What a user gives: case, strand, schedule, furnace log, layer measurements."""
