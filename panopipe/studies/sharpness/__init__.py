"""How soft a frame is, and what it takes to make its edges steeper by a given share."""
