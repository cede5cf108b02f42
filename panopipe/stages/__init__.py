"""The six stages, one file each; see `panopipe.stage` for what a stage is."""
