"""The rules of the mill: short pure functions in SI units, each with its source and range.

breakage  impact fracture and its daughters      motion   bars, pins, layer, strike rates
cutting   chips, nip shear, hammers              sieving  passage and blinding
air       fan, flow resistance, windage          heat     temperature of chamber and pieces
drive     motor, inertia, jam, feed opening      sizes    energy-size laws for cross-checks
strength  stress, balance, hammers, what flies   cooling  air, coolant, pauses
wear      edges, gap and iron from lost mass

A law knows nothing of engines, files or settings: every constant comes in as an argument.
"P4" in a source line is the section of the project's physics notes the form was taken from.
"""
