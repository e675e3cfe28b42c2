"""A mass-conserving drum plant with a rubber feeder, behind Modbus registers. Never imports the daemon."""
