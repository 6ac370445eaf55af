"""What goes wrong that no plan was written for? Explores a bench with generated scenarios.

`propsoff explore` comes through `explore.command`; whoever writes Python may use `LinkMachine`
(`explore.machine`), a rule-based state machine over a scripted bench.
"""
