"""An edge node of Sparkplug B 3.0 at MQTT servers."""
