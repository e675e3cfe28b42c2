"""Sans-IO codecs of the field: registers to numbers and back, and the plan of what to read. Never touches a socket."""
