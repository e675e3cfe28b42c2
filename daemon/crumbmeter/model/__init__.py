"""Values that every room shares: readings, images, commands, parcels, events. Standard library only."""
