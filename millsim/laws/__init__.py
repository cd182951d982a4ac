"""The rules of the mill: short pure functions in SI units, each with its source and range.

breakage  impact fracture and its daughters      motion   bars, pins, layer, strike rates
cutting   chips, nip shear, hammers              sieving  passage and blinding
air       fan, flow resistance, windage          heat     temperature of chamber and pieces
drive     motor, jam, feed opening               sizes    energy-size laws for cross-checks
strength  stress, balance, hammers, what flies   cooling  air, coolant, pauses
wear      edges, gap and iron from lost mass     openings sieve and feed opening, geometry

A law knows nothing of engines, files or settings: every constant comes in as an argument. Its docstring ends with
where it comes from: author, year and journal; "derived" (from what is named, anyone can do it again); "assumed" and
why; "handbook" (in any text on the subject); "common practice" (no source); "from memory" where nobody could look it
up. Why a form was chosen and how far it holds stands in the page of the subject beside the law (breakage.md, ...).
"""
