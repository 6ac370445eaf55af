"""Is this module as good as the others, and is the lot worth keeping? Units held against each other.

Many runs of one plan, each of a different unit: which of them can be told apart, which stand out by a stated
test, and whether the lot is accepted by a sampling plan whose operating characteristic is told with it.
Everything is read from the runs' verdict.json; no recording is needed.
"""
