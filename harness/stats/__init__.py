"""Which numbers can be trusted, and how far? Intervals, tests, rules of decision, with no bench in them."""
