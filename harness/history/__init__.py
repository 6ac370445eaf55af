"""How did figures go from run to run? Kept runs by unit, firmware and plan, with their figures as trends."""
