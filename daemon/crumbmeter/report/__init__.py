"""What people take away: documents out of the record, the same bytes for the same record. Only this room draws."""
