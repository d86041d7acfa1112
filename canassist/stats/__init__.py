"""Plain statistics, checked against scipy in the tests: lines, intervals, ranks, chances."""

from canassist.stats.blocks import LEVEL, block_sums, jackknife_slope, mean_of_blocks, pooled
from canassist.stats.chance import holm, wilson
from canassist.stats.lines import FittedLine, deming, deming_slope, least_squares, theil_sen
from canassist.stats.noise import noise_variance, rounding_variance
from canassist.stats.order import Split, best_split, falling, rank_share, shorth, spread_of
from canassist.stats.student_t import t95, t_tail, welch
from canassist.stats.tolerance import tolerance_factor

__all__ = [
    "LEVEL",
    "FittedLine",
    "Split",
    "best_split",
    "block_sums",
    "deming",
    "deming_slope",
    "falling",
    "holm",
    "jackknife_slope",
    "least_squares",
    "mean_of_blocks",
    "noise_variance",
    "pooled",
    "rank_share",
    "rounding_variance",
    "shorth",
    "spread_of",
    "t95",
    "t_tail",
    "theil_sen",
    "tolerance_factor",
    "welch",
    "wilson",
]
