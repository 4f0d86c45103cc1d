"""The limits of the model of a path, each with its unit and its reason.

What a step tries stands with the step.
"""

from __future__ import annotations

import math

# What is read of a pair.
SURROUNDS = (
    0.025,
    0.05,
    0.1,
)  # of a picture's height, a blur's: as far as local contrast reaches
USUAL_MEAN = 0.3  # mean luma signal of a picture, about which contrast that follows it turns
OTHER_SCENE = 0.01  # mean luma signal from the darkest picture to the brightest: they differ
LEAST_OF_CODE = 3  # colours that say where a code of luma arrives: their median bears one stray
CALM, OTHER = 1500, 500  # colours of a burst: most where no filter shows, some anywhere else
EVEN = 2  # 10-bit codes of chroma around a colour: less than interpolation is off by a code
STEEP = 32  # 10-bit codes of chroma from one side of a colour to the other: no edge, if even
REACH = 3  # samples of luma to each side: as far as filters of players reach
ROWS, COLUMNS, MARGIN = 48, 64, 8  # of a piece, samples: a few periods of detail; filters end there
PIECES = 2  # of a burst: that with most detail, and a middling one
SURVEYED, DOWN, ACROSS = 4, 5, 6  # bursts, and pieces of a picture: a ninth of it has three of them
SEARCHED = 30_000  # places of a picture among which colours are chosen: a second at any size
LEAST_SITES = 60  # colours of a half, fewer of which are not divided

# What a chain costs, in bits of a sample of three codes.
STEP_BITS = 0.012  # of a step: some 36 bits over 3,000 samples, more than chance ever saves
PARAMETER_BITS = 0.003  # of a fitted parameter: half its digits
ENTRY_BITS = 0.001  # of an entry of a table: a code moved by a few, out of a thousand
EXACT = 0.06  # where all is predicted: what the rare stray sample alone costs is 0.043
TIED = 0.02  # between chains that do the same to this pair: less than two steps

# How likely codes are.
SPREADS = (
    0.005, 0.02, 0.08, 0.2, 0.35, 0.6, 1.0, 1.7, 3.0, 5.0, 9.0, 16.0, 30.0, 60.0
)  # codes of scatter that are tried: in steps that change a price by a tenth  # fmt: skip
STRAY, STRAY_CODES = 0.01, 1024.0  # share of samples that anything may have happened to; codes
EDGE = 0.03  # codes about a half that the arithmetic of a device may round either way
FINE, FINEST = 32, 32 * 200  # steps of a code in which distances are counted; more cost the same

# How the search goes.
SCAN, TRAINING = 500, 3000  # colours to compare proposals on, and to refine them on
FEW_PIECES, MOST_PIECES = 3, 8  # the same of pieces
BEAM, REFINED, ROUNDS = 3, 8, 5  # chains kept, proposals refined, steps that may be added
LEAST_GAIN = 0.01  # of the bits: what saves less in a round is not worth another
LIKELY = 24  # proposals, ranked to first order, that are ranked again as fitted
OF_A_KIND = 2  # proposals of the same steps, so that settings of one do not crowd out others
WORSE, WORSE_BITS = 2.0, 0.5  # share and bits beyond which a chain is not followed further
CARRIED = (0, 10)  # bits to which devices round between steps; 0 for none

# How parameters are fitted.
PASSES = 7  # by when fits have settled
AGAIN = 3  # the same once a parameter or step is left out: the others are near
ROUGHLY = 2  # passes that show which proposals promise most
FILTERS_FIRST = 2  # passes that move filters alone, by all that they move: the rest is near
SETTLED = 1e-3  # deviations of a fit by which a pass may still move it
FAR = 4.0  # spreads beyond which a sample is another matter
NEEDED = 15.0  # deviations from its default from where a parameter is not tried at it: 160 bits
INSIDE = 0.05  # weight of samples that are predicted to the code already

# How well parameters are known.
LEAST_BURSTS = 4  # from where their scatter is taken: of fewer, Student's t gives a wide guess
SAYS_NOTHING = 0.25  # of what a parameter may be: an interval of half of that is no figure

# What is said.
ROUNDED = 0.5 + EDGE  # codes by which rounding alone may be off
MOST_RIVALS = 3  # chains that are named beside the best
STANDS_OUT = 1.5  # times the whole, from where a part of the picture is named
LEAST_PART = 200  # samples of such a part
ROUNDING = 1 / math.sqrt(12)  # codes RMS
MOVED = 2 * ROUNDING  # codes RMS by which a path that changes nothing may round once more
UNEXPLAINED = 4 * ROUNDING  # codes RMS beyond rounding: four times what rounding leaves
CERTAIN = 0.99  # of the codes, from where a chain says too what a path does not do
MOSTLY = 0.9  # of the codes that steps must predict to be called what the path did
