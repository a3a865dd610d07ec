"""Messages over MQTT: what a rig says of itself, and the two requests that it takes from afar."""
