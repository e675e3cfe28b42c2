"""The same plant over OPC UA (IEC 62541): nodes over the banks, one server for all of them, a door for each device."""
