"""Which port leads to which device, and are the lines any good? Listed, asked, written down, proved.

`listing` says which ports there are (`system` is where it looks, `access` how a missing right is mended),
`asking` sends them Identify, `answers` says what came of it, `rigfile` writes down what was found, `proving`,
`figures`, `words` and `proof` check the lines of a rig, `telling` and `command` are for the shell. Nothing in
here can move anything: the devices are sent Identify, Ping and idle delimiters, never sticks and never a
keep-alive.
"""
