"""What the stages think with: one study a stage, pure functions on arrays."""
