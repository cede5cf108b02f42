"""The geometry of the sphere: directions, solid angle, wrap and poles, views, filters that close."""
