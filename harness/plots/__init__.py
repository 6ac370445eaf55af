"""What is there to see in a run? Plots as plain values, drawn elsewhere: on a page, or into a picture."""
