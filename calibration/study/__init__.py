"""Qualify the method: how much of what a study sees is the measuring itself (gauge repeatability and
reproducibility), and how well people and the tool agree on verdicts.

    rows.py        text of a CSV -> rows -> a complete table; every refusal a sentence with its line
    variance.py    the table -> components of variation, by ANOVA and by average and range
    agreement.py   verdicts -> Cohen's and Fleiss' kappa, misses and false alarms
    chance.py      the few probabilities that these need

Rows come in as records, so a folder of repeated photos needs only to be turned into `Check` rows.
Nothing here reads a disk or prints.  Units are the caller's, and the same all through.
"""

from calibration.study.agreement import (
    Against,
    Agreement,
    Pair,
    Rate,
    agreement,
    cohen_kappa,
    fleiss_kappa,
)
from calibration.study.rows import (
    Check,
    Judgement,
    StudyError,
    Table,
    complete_table,
    read_checks,
    read_judgements,
)
from calibration.study.variance import (
    Component,
    Components,
    Study,
    Term,
    average_and_range,
    gauge_study,
    grade_of,
    k_factor,
    sums_of_squares,
)

__all__ = [
    "Against",
    "Agreement",
    "Check",
    "Component",
    "Components",
    "Judgement",
    "Pair",
    "Rate",
    "Study",
    "StudyError",
    "Table",
    "Term",
    "agreement",
    "average_and_range",
    "cohen_kappa",
    "complete_table",
    "fleiss_kappa",
    "gauge_study",
    "grade_of",
    "k_factor",
    "read_checks",
    "read_judgements",
    "sums_of_squares",
]
