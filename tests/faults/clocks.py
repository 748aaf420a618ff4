FAULTS: list = []
