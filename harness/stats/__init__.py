"""Which numbers can be trusted, and how far? Intervals, tests and decision rules, without any bench in them."""
