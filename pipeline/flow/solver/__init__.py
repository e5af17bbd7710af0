"""The flow solver: finding it, writing cases, starting, watching and stopping it, its fields."""
