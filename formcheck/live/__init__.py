"""The same sums while a set is being filmed: framing and the live count. No state of a page."""
