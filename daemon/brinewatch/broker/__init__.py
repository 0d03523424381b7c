"""One connection to an MQTT broker: what the ways out, the signs of life and the probes on a broker stand on."""
