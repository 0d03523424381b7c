"""Who watches the watch: signs of life, and what their absence means. Pure."""
