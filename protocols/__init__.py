"""What travels on a wire, as values and bytes. Pure: no I/O, no clock, no logging."""
