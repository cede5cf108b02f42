"""Settings: what a recipe may say, what it says for each frame, and where each value comes from.

    built-in  <  JOB/recipe.toml  <  JOB/overrides/<room>.toml  <  JOB/overrides/<room>/<frame>.toml

A recipe has a table per stage with the stage's settings and the reserved key `use` (true or false), and
a table `[pipeline]` with `order`, the names of the stages from source to sink.
"""

from panopipe.recipe.cascade import BUILT_IN_ORIGIN, FrameSettings, Recipe, Value, effective, load_recipe

__all__ = ["BUILT_IN_ORIGIN", "FrameSettings", "Recipe", "Value", "effective", "load_recipe"]
