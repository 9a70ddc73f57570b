"""What a night can come to, worked out ahead of it: places, levels, changes. Pure, on the core's plan."""
