"""The stages that come with panopipe, one file each; see `panopipe.stage` for what a stage is."""
