"""Sans-IO codecs outwards: MQTT payloads, lines of the local socket. SI with unit suffix; no clock, no socket."""
