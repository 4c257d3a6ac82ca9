"""A simulated bench: one physics model behind instruments that speak SCPI over TCP on the loopback address."""
