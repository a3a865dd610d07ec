"""How a series was worked out: what each test assumes, and where it is from."""

from __future__ import annotations

from typing import Final

from rig.lives.logrank import ASSUMPTIONS

METHOD: Final = {
    "lives": (
        "Lives are compared by the log-rank test. Its scores are permuted over the specimens with "
        "their run-outs, within batches where these are told, so p is exact and not by large "
        "numbers (Mantel 1966; Callaert, The American Statistician 57 (2003) 214; from memory). "
        + ASSUMPTIONS
    ),
    "smallest_p": (
        "The smallest possible p is the least that any outcome of these sizes and run-outs could "
        "have given. Where it is over 0.05, more specimens are needed and no better arithmetic."
    ),
    "curves": (
        "Curves are product-limit curves, the interval of each step by itself by ln(-ln S) with "
        "Greenwood's variance (Kaplan and Meier, J. Am. Stat. Assoc. 53 (1958) 457; Kalbfleisch "
        "and Prentice; from memory). They assume that what was taken off was no nearer to failing "
        "than what went on. With few specimens they hold less than they say; the notes tell what."
    ),
    "ratios": (
        "Life ratios take lives for lognormal or Weibull with one scatter in both groups. Their "
        "intervals are by profile likelihood, calibrated by drawn sets of as many specimens with "
        "the same run-outs, as the quantile of chi-squared claims too much of few."
    ),
    "fits": (
        "Laws are fitted by maximum likelihood, run-outs counted as such; intervals by profile "
        "likelihood are not calibrated, and the notes tell what they really hold."
    ),
    "outlived": (
        "The life that most specimens outlive is a one-sided tolerance bound of lognormal lives "
        "(ISO 16269-6; Owen 1963; from memory)."
    ),
    "levels": (
        "At equal levels each life is moved along the slope of its measure to the mean level of "
        "both groups. The slope is that of the series where one group failed at two levels, else "
        "of a published line, whose difference from other such lines is taken for its error. The "
        "error of a mean capacity is common to its whole group; it is added as a variance with "
        "the degrees of freedom of Satterthwaite (Biometrics Bull. 2 (1946) 110; from memory)."
    ),
    "ultimate": (
        "Ultimate loads are compared by Welch's test, which assumes normal loads and no equal "
        "variances, by the exact rank test, which assumes neither (Wilcoxon, Biometrics Bull. 1 "
        "(1945) 80; Mann and Whitney 1947; from memory), and by the ratio of their means (Fieller; "
        "unequal variances). Outliers are named and never left out; residual loads after a run-out "
        "stand apart, as these specimens have a history that companions have not."
    ),
    "seen": (
        "Shares of specimens have the interval of Clopper and Pearson (Biometrika 26 (1934) 404; "
        "from memory); two of them are compared by Fisher's exact test, their difference by "
        "Newcombe, Stat. Med. 17 (1998) 873, method 10; from memory."
    ),
    "why": (
        "Slip is the largest of all cycles up to the verdict and of all ends of tendons that had a "
        "sensor; effective prestress is worked out from the load at which cracks re-open in the "
        "first and the last slow cycle that shows it, by the section of the specimen file: good "
        "for following one specimen, less for its absolute value. Counts of dry and wet are of the "
        "lives that count, those of modes of the failures whose mode was told; void runs stand in "
        "the table as they were read."
    ),
    "service": (
        "Damage in service adds up by Palmgren and Miner, whatever the order of cycles; histories "
        "are counted by rainflow (ASTM E1049). Lines go on below the levels tested without an end: "
        "which share of the damage lies there is told."
    ),
    "confounding": (
        "Which factors go along with a group is looked for among age, batch, day of casting, bed, "
        "frame and wet time. What nobody told cannot be looked for."
    ),
}
"""What each thing assumes, and its source as the program names it."""
