"""Which numbers can be trusted, and how far? Intervals, tests and rules of decision, with no bench in them."""
