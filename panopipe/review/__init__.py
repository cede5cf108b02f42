"""What the photographer looks at in the morning: checks, page, contact sheet."""
