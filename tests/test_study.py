"""Gauge study and attribute agreement against published data, statsmodels, and misuse.

"From memory" marks a published value that was remembered and not seen again; all of them are reproduced.
"""

import json
import math
from dataclasses import replace
from itertools import product
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy import stats

from calibration import study as s
from calibration.study.chance import beta_cdf, binomial_interval, f_exceeds
from calibration.study.variance import K1, K23, range_moments

# --- data -------------------------------------------------------------------------------------------------

# AIAG "Measurement Systems Analysis", 10 parts x 3 appraisers x 3 trials.  All 90 values seen alike in a
# filled form and in two unrelated public repositories.
AIAG = """
  .29  .41  .64   .08  .25  .07   .04 -.11 -.15
 -.56 -.68 -.58  -.47 -1.22 -.68 -1.38 -1.13 -.96
 1.34 1.17 1.27  1.19  .94 1.34   .88 1.09  .67
  .47  .50  .64   .01 1.03  .20   .14  .20  .11
 -.80 -.92 -.84  -.56 -1.20 -1.28 -1.46 -1.07 -1.45
  .02 -.11 -.21  -.20  .22  .06  -.29 -.67 -.49
  .59  .75  .66   .47  .55  .83   .02  .01  .21
 -.31 -.20 -.17  -.63  .08 -.34  -.46 -.56 -.49
 2.26 1.99 2.01  1.80 2.12 2.19  1.77 1.45 1.87
-1.36 -1.25 -1.31 -1.68 -1.62 -1.50 -1.49 -1.77 -2.16
"""

# Houf and Berman 1988, thermal performance, 10 x 3 x 3, specification 18 to 58; as printed with the
# variance component examples of a statistics package's public manual.
HOUF = """
37 38 37 41 41 40 41 42 41
42 41 43 42 42 42 43 42 43
30 31 31 31 31 31 29 30 28
42 43 42 43 43 43 42 42 42
28 30 29 29 30 29 31 29 29
42 42 43 45 45 45 44 46 45
25 26 27 28 28 30 29 27 27
40 40 40 43 42 42 43 43 41
25 25 25 27 29 28 26 26 26
35 34 34 35 35 34 35 34 35
"""

# NIST StRD, SiRstv: 5 instruments x 5 readings; the first three from memory, which the certified F bears out.
SIRSTV = """
196.3052 196.1240 196.1890 196.2569 196.3403
196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811
196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090
"""


def grid(text):
    return np.array([[float(cell) for cell in line.split()] for line in text.strip().splitlines()])


def rows_of(text, trials=3):
    values = grid(text).reshape(10, 3, trials)
    return [
        s.Check(str(i + 1), "ABC"[j], str(k + 1), float(values[i, j, k]))
        for i in range(10) for j in range(3) for k in range(trials)
    ]


@pytest.fixture(scope="module")
def aiag():
    return s.gauge_study(rows_of(AIAG), "in")


@pytest.fixture(scope="module")
def houf():
    return s.gauge_study(rows_of(HOUF), "", tolerance=40)


# --- AIAG, average and range ------------------------------------------------------------------------------


def test_aiag_data_sheet(aiag):
    """The form's own sums (seen): averages and ranges of appraisers and parts."""
    values = aiag.table.values
    assert np.ptp(values, axis=2).mean(axis=0) == pytest.approx([0.1840, 0.5130, 0.3280], abs=5e-5)
    assert values.mean(axis=(0, 2)) == pytest.approx([0.1903, 0.0683, -0.2543], abs=5e-5)
    assert values.mean() == pytest.approx(0.0014, abs=5e-5)
    parts = [0.169, -0.851, 1.099, 0.367, -1.064, -0.186, 0.454, -0.342, 1.940, -1.571]
    assert values.mean(axis=(1, 2)) == pytest.approx(parts, abs=6e-4)
    assert np.ptp(values, axis=2).mean() == pytest.approx(0.3417, abs=5e-5)
    assert np.ptp(values.mean(axis=(1, 2))) == pytest.approx(3.511, abs=5e-4)


def test_aiag_by_average_and_range(aiag):
    """The manual's report (from memory; it rounds R-bar and the like, hence 4e-5) and unrounded values."""
    printed = {"EV": 0.20188, "AV": 0.22963, "GRR": 0.30575, "PV": 1.10456, "TV": 1.14610}
    exact = {"EV": 0.201857, "AV": 0.229667, "GRR": 0.305766, "PV": 1.104596, "TV": 1.146135}
    percent = {"EV": 17.62, "AV": 20.04, "GRR": 26.68, "PV": 96.38}
    found = {part.code: part.sd for part in aiag.range.parts}
    assert found == pytest.approx(printed, abs=4e-5)
    assert found == pytest.approx(exact, abs=6e-7)
    assert {code: aiag.range[code].of_total for code in percent} == pytest.approx(percent, abs=0.01)
    assert (aiag.range.ndc, aiag.range.ndc_exact) == (5, pytest.approx(5.094, abs=0.0005))


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("text", [AIAG, HOUF], ids=["aiag", "houf"])
def test_average_and_range_against_another_package(text):
    """The Python package mfgqc computes the same from its own code (a private function of version 0.3)."""
    theirs = pytest.importorskip("mfgqc.gage_rr", reason="cross-check: pip install mfgqc")
    ours = s.gauge_study(rows_of(text), "")
    found = theirs._xbar_r(ours.table.values, 10, 3, 3, [])
    ev, av, grr, pv = found[4], found[5], found[7], found[8]
    assert [ours.range[code].sd for code in ("EV", "AV", "GRR", "PV")] == pytest.approx([ev, av, grr, pv])


# --- AIAG and Houf, ANOVA ---------------------------------------------------------------------------------


def test_aiag_anova_table(aiag):
    """Published table (seen in test data of public packages): df, SS, MS, F; then the pooled error."""
    lines = {term.name: term for term in aiag.full_terms}
    assert [term.df for term in aiag.full_terms] == [9, 2, 18, 60, 89]
    ss = [88.3619, 3.1673, 0.3590, 2.7589, 94.6471]
    assert [term.ss for term in aiag.full_terms] == pytest.approx(ss, abs=5e-5)
    assert lines["part"].f == pytest.approx(492.291, abs=5e-4)
    assert lines["appraiser"].f == pytest.approx(79.406, abs=5e-4)
    assert lines["part x appraiser"].f == pytest.approx(0.434, abs=5e-4)
    assert lines["part x appraiser"].p == pytest.approx(0.974, abs=5e-4)
    assert aiag.pooled
    error = aiag.terms[2]
    assert (error.name, error.df) == ("repeatability", 78)
    assert (error.ss, error.ms) == (pytest.approx(3.1179, abs=5e-5), pytest.approx(0.03997, abs=5e-6))


def test_aiag_anova_components(aiag):
    """Published, interaction pooled (seen): standard deviations, contributions, per cent of study, ndc 4."""
    sd = {"EV": 0.199933, "AV": 0.226838, "GRR": 0.302373, "PV": 1.042327, "TV": 1.085}
    assert {c.code: c.sd for c in aiag.anova.parts} == pytest.approx(sd, rel=5e-4)
    assert aiag.anova["EV"].sd == pytest.approx(0.19993318, abs=1e-8)
    assert aiag.anova["TV"].sd == pytest.approx(1.08529956, abs=1e-8)
    share = {"EV": 3.39, "AV": 4.37, "GRR": 7.76, "PV": 92.24}
    assert {code: aiag.anova[code].contribution for code in share} == pytest.approx(share, abs=0.005)
    study = {"EV": 18.42, "AV": 20.90, "GRR": 27.86, "PV": 96.04}
    assert {code: aiag.anova[code].of_total for code in study} == pytest.approx(study, abs=0.005)
    assert (aiag.anova.ndc, aiag.anova.ndc_exact) == (4, pytest.approx(4.861, abs=5e-4))
    assert aiag.anova.grade == "conditional"


def test_aiag_with_the_interaction_kept_says_that_it_came_out_negative():
    """alpha 1 keeps what 0.25 pools: EV .214435 (seen), GRR .313217, interaction -0.00868 set to 0."""
    kept = s.gauge_study(rows_of(AIAG), "in", alpha=1.0)
    assert not kept.pooled
    assert kept.anova["EV"].sd == pytest.approx(0.214435, abs=1e-6)
    assert kept.anova["GRR"].sd == pytest.approx(0.313217, abs=1e-6)
    assert kept.anova["INT"].sd == 0
    assert any("negative (-0.00868)" in note for note in kept.anova.notes)


def test_houf_keeps_its_interaction(houf):
    """Real interaction: p 5e-7.  Published MS 437.33, 19.63, 2.70, .51 from memory; rest recomputed."""
    assert not houf.pooled
    assert [t.ms for t in houf.full_terms[:4]] == pytest.approx([437.33, 19.63, 2.70, 0.51], abs=0.005)
    assert houf.full_terms[2].f == pytest.approx(5.273, abs=5e-4)
    assert houf.full_terms[2].p == pytest.approx(5.1e-7, rel=0.01)
    variance = {"EV": 0.5111, "INT": 0.7280, "AV": 0.5646, "PV": 48.2926, "GRR": 1.8037, "TV": 50.0963}
    assert {c.code: c.sd**2 for c in houf.anova.parts} == pytest.approx(variance, abs=5e-5)
    assert houf.anova["GRR"].of_total == pytest.approx(18.975, abs=5e-4)
    assert houf.anova["GRR"].of_tolerance == pytest.approx(100 * 6 * 1.34302 / 40, abs=1e-3)
    assert houf.anova.ndc_exact == pytest.approx(7.2956, abs=5e-3)  # by the manual's 1.41; by the root of 2 7.32


@pytest.mark.filterwarnings("ignore::FutureWarning", "ignore::DeprecationWarning")
@pytest.mark.parametrize("text", [AIAG, HOUF], ids=["aiag", "houf"])
def test_anova_against_statsmodels(text):
    pandas = pytest.importorskip("pandas")
    ols = pytest.importorskip("statsmodels.formula.api").ols
    from statsmodels.stats.anova import anova_lm

    rows = rows_of(text)
    frame = pandas.DataFrame([(r.part, r.appraiser, r.gap) for r in rows], columns=["p", "a", "gap"])
    theirs = anova_lm(ols("gap ~ C(p) * C(a)", frame).fit())
    ours = s.gauge_study(rows, "in").full_terms
    assert [t.df for t in ours[:4]] == pytest.approx(list(theirs["df"]))
    assert [t.ss for t in ours[:4]] == pytest.approx(list(theirs["sum_sq"]), rel=1e-9)
    assert ours[2].f == pytest.approx(theirs["F"].iloc[2], rel=1e-9)
    assert ours[2].p == pytest.approx(theirs["PR(>F)"].iloc[2], rel=1e-9)


def test_nist_sirstv_certified_values():
    """NIST StRD, one-way: all digits that readings with seven figures leave to double precision."""
    sums = s.sums_of_squares(grid(SIRSTV).reshape(5, 1, 5))
    (df_b, between), (df_w, within) = sums["part"], sums["repeatability"]
    assert (df_b, df_w) == (4, 20)
    assert between == pytest.approx(5.11462616000000e-02, rel=1e-10)
    assert within == pytest.approx(2.16636560000000e-01, rel=1e-10)
    assert (between / df_b) / (within / df_w) == pytest.approx(1.18046237440255, rel=1e-10)
    assert between / sums["total"][1] == pytest.approx(0.190999039051129, rel=1e-10)
    assert math.sqrt(within / df_w) == pytest.approx(0.104076068334656, rel=1e-10)


def test_simulated_components_come_back():
    """Known components: the mean over many studies is what was put in."""
    rng = np.random.default_rng(1)
    found = []
    for _ in range(150):
        parts, people = rng.normal(0, 1.0, 10), rng.normal(0, 0.4, 5)
        values = parts[:, None, None] + people[None, :, None] + rng.normal(0, 0.2, (10, 5, 3))
        rows = [s.Check(str(i), str(j), str(k), float(v)) for (i, j, k), v in np.ndenumerate(values)]
        result = s.gauge_study(rows, "mm").anova
        found.append([result[code].sd ** 2 for code in ("EV", "AV", "PV")])
    assert np.mean(found, axis=0) == pytest.approx([0.04, 0.16, 1.0], rel=0.12)


def test_constants_are_those_of_the_range_of_normal_values():
    """The printed K factors follow from the distribution of the range, to their four digits."""
    for size, k in K1.items():
        assert 1 / math.sqrt(range_moments(size)[0]) == pytest.approx(k, abs=6e-5)
    for size, k in K23.items():
        assert 1 / math.sqrt(range_moments(size)[1]) == pytest.approx(k, abs=6e-5)
    assert 1 / s.k_factor(25, "many") == pytest.approx(3.931, abs=5e-4)  # d2 of 25, standard tables
    assert s.k_factor(12, "one") < s.k_factor(10, "one")


# --- probabilities ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("a", "b"), [(0.5, 0.5), (1, 3), (9, 30), (39, 1), (300, 2.5)])
def test_beta_against_scipy(a, b):
    for x in (0, 1e-6, 0.01, 0.3, 0.5, 0.9, 0.999, 1):
        assert beta_cdf(x, a, b) == pytest.approx(stats.beta.cdf(x, a, b), rel=1e-10, abs=1e-14)


def test_f_and_binomial_limits_against_scipy():
    assert f_exceeds(5.273, 18, 60) == pytest.approx(stats.f.sf(5.273, 18, 60), rel=1e-9)
    assert f_exceeds(0.0, 3, 4) == 1
    assert f_exceeds(math.inf, 3, 4) == 0
    for hits, of in ((0, 30), (3, 30), (30, 30), (1, 2)):
        exact = stats.binomtest(hits, of).proportion_ci(0.95, "exact")
        assert binomial_interval(hits, of) == pytest.approx((exact.low, exact.high), abs=1e-9)


# --- kappa ------------------------------------------------------------------------------------------------

FLEISS = """
0 0 0 0 14
0 2 6 4 2
0 0 3 5 6
0 3 9 2 0
2 2 8 1 1
7 7 0 0 0
3 2 6 3 0
2 5 3 2 2
6 5 2 1 0
0 2 2 3 7
"""


@pytest.mark.parametrize(
    ("counts", "kappa"),
    [
        ([[20, 5], [10, 15]], 0.40),  # encyclopedia example, from memory
        ([[44, 5, 1], [7, 20, 3], [9, 5, 6]], 0.491525),  # data seen in a public package, kappa recomputed
        ([[1, 0, 1], [0, 1, 0], [0, 0, 2]], 0.6875),  # a library's documentation, from memory
    ],
)
def test_cohen(counts, kappa):
    assert s.cohen_kappa(counts)[0] == pytest.approx(kappa, abs=1e-6)


def test_cohen_and_its_error_against_statsmodels():
    rater = pytest.importorskip("statsmodels.stats.inter_rater")
    for counts in ([[20, 5], [10, 15]], [[44, 5, 1], [7, 20, 3], [9, 5, 6]]):
        theirs = rater.cohens_kappa(counts)
        assert s.cohen_kappa(counts) == pytest.approx((theirs.kappa, theirs.std_kappa), rel=1e-9)


def test_fleiss_against_the_published_example_and_statsmodels():
    """14 raters, 10 subjects, 5 classes: .210 (from memory)."""
    assert s.fleiss_kappa(grid(FLEISS)) == pytest.approx(0.210, abs=5e-4)
    rater = pytest.importorskip("statsmodels.stats.inter_rater")
    assert s.fleiss_kappa(grid(FLEISS)) == pytest.approx(rater.fleiss_kappa(grid(FLEISS)), rel=1e-12)


def test_kappa_is_not_defined_when_all_say_one_word():
    assert s.cohen_kappa([[7, 0], [0, 0]]) is None
    assert s.fleiss_kappa([[3, 0], [3, 0]]) is None
    with pytest.raises(s.StudyError, match="same number of ratings"):
        s.fleiss_kappa([[3, 0], [2, 0]])
    with pytest.raises(s.StudyError, match="at least one part"):
        s.cohen_kappa([[0, 0], [0, 0]])


VERDICTS = """part,rater,verdict
1,ruler,full
1,tool,full
1,Ann,full
2,ruler,short
2,tool,short
2,Ann,full
3,ruler,short
3,tool,unproven
3,Ann,short
4,ruler,full
4,tool,full
4,Ann,short
"""


def test_agreement_against_a_reference():
    found = s.agreement(s.read_judgements(VERDICTS), reference="ruler")
    tool, ann = found.against
    assert (tool.rater, tool.right.hits, tool.withheld.hits) == ("tool", 3, 1)
    assert (tool.missed.hits, tool.missed.of) == (0, 2)
    assert (ann.missed.hits, ann.alarmed.hits, ann.right.share) == (1, 1, 0.5)
    assert tool.missed.high == pytest.approx(stats.binomtest(0, 2).proportion_ci(0.95, "exact").high)
    assert (found.all_agree.hits, found.all_agree.of) == (1, 4)
    assert [f"{pair.first}-{pair.second}" for pair in found.pairs] == ["ruler-tool", "ruler-Ann", "tool-Ann"]
    assert found.fleiss == pytest.approx(s.fleiss_kappa([[2, 0, 0], [1, 1, 0], [0, 1, 1], [1, 1, 0]]))


def test_agreement_with_oneself_over_trials():
    text = "part;rater;trial;verdict\n" + "".join(
        f"{part};{who};{trial};{'full' if (part, who, trial) != (2, 'Ann', 2) else 'SHORT'}\n"
        for part in (1, 2, 3) for who in ("Ann", "tool") for trial in (1, 2))
    found = s.agreement(s.read_judgements(text))
    assert (found.steady["Ann"].hits, found.steady["tool"].hits) == (2, 3)
    assert found.pairs[0].agreed.of == 6
    assert found.against == ()


def test_one_verdict_a_part_beside_the_reference_agrees_with_nothing(study, tmp_path):
    (tmp_path / "v.csv").write_text("part,rater,verdict\n1,A,full\n1,B,full\n2,A,full\n2,B,short\n3,A,short\n3,B,full")
    found = s.agreement(s.read_judgements((tmp_path / "v.csv").read_text()), reference="A")
    assert (found.all_agree.of, found.all_agree.share) == (0, None)
    code, out, _ = study("--verdicts", "v.csv", "--reference", "A", "--html", "v.html")
    assert code == 0
    assert "All raters but A: Fleiss' kappa not defined; one verdict a part" in out
    assert "1 of 3" in out  # the pair's own
    assert "3 of 3" not in out
    assert "The same verdict from all of them" not in (tmp_path / "v.html").read_text()


def test_agreement_refusals():
    rows = s.read_judgements(VERDICTS)
    with pytest.raises(s.StudyError, match="No rater is named 'rule'; the file has ruler, tool, Ann"):
        s.agreement(rows, reference="rule")
    with pytest.raises(s.StudyError, match="Only one rater"):
        s.agreement([row for row in rows if row.rater == "tool"])
    with pytest.raises(s.StudyError, match="Part 4 has 0 of 1 trials by rater Ann"):
        s.agreement(rows[:-1])
    with pytest.raises(s.StudyError, match="'fully' is not one of full, short, unproven") as caught:
        s.read_judgements(VERDICTS.replace("1,ruler,full", "1,ruler,fully"))
    assert caught.value.line == 2
    with pytest.raises(s.StudyError, match="No column is named rater"):
        s.read_judgements("part,verdict\n1,full\n")


# --- reading a CSV ----------------------------------------------------------------------------------------


def csv_of(rows, header="part,appraiser,trial,gap", sep=","):
    return "\n".join([header, *(sep.join((r.part, r.appraiser, r.trial, str(r.gap))) for r in rows)])


@pytest.mark.parametrize(
    ("header", "sep", "unit"),
    [
        ("part,appraiser,trial,gap", ",", ""),
        ("\ufeffJoint ; Operator;Photo; Gap (mm)", ";", "mm"),
        ("# made on site\n\nSAMPLE_ID\tInspector name\tRep.\tgap_in", "\t", "in"),
    ],
)
def test_headers_are_read_loosely(header, sep, unit):
    rows, found = s.read_checks(csv_of(rows_of(AIAG), header, sep))
    assert found == unit
    assert [row.gap for row in rows] == [row.gap for row in rows_of(AIAG)]
    assert rows[0].line == header.count("\n") + 2


def test_decimal_commas_and_missing_trial_numbers():
    rows, _ = s.read_checks("part;appraiser;gap\n1;A;0,5\n\n1;A;0,25\n")
    assert [(row.trial, row.gap, row.line) for row in rows] == [("1", 0.5, 2), ("2", 0.25, 4)]


GOOD = [row for row in rows_of(AIAG) if row.part in "12"]


@pytest.mark.parametrize(
    ("text", "words", "line"),
    [
        ("", "The file is empty", 0),
        ("\n  \n# only a remark\n", "The file is empty", 0),
        ("part,appraiser,trial,gap\n", "no rows", 1),
        ("part,appraiser,trial\n1,A,1\n", "No column is named gap; the header has part, appraiser, trial", 1),
        ("part,appraiser,trial,gap\n1,A,1,0.1\n1,A,2,wide\n", "'wide' is not a number", 3),
        ("part,appraiser,trial,gap\n1,A,1,nan\n", "not a number", 2),
        ("part,appraiser,trial,gap\n1,A,1,1/16 in\n", "without a unit", 2),
        ("part,appraiser,trial,gap\n1,A,1,\n", "The gap is missing", 2),
        ("part,appraiser,trial,gap\n1,,1,0.2\n", "The appraiser is missing", 2),
        ("part,appraiser,trial,gap\n1,A,1\n", "The gap is missing", 2),
        ("part,appraiser,trial,gap\n1,A,1,0.1\n1,A,1,0.2\n", "there twice, first in line 2", 3),
        (csv_of([r for r in GOOD if r.appraiser == "A"]), "Only one appraiser, A", 7),
        (csv_of([r for r in GOOD if r.part == "1"]), "Only one part, 1", 10),
        (csv_of([r for r in GOOD if r.trial == "1"]), "only once by each appraiser", 7),
        (csv_of(GOOD[:4] + GOOD[5:]), "Part 1 has 2 of 3 trials by appraiser B", 6),
        (csv_of([r for r in GOOD if (r.part, r.appraiser) != ("2", "C")]), "Part 2 has 0 of 3 trials", 16),
        (csv_of([s.Check(r.part, r.appraiser, r.trial, 0.5) for r in GOOD]), "Every gap is the same", 0),
    ],
)
def test_a_file_that_is_no_study_is_refused_with_its_line(text, words, line):
    with pytest.raises(s.StudyError, match=words.replace("(", r"\(")) as caught:
        s.gauge_study(s.read_checks(text)[0], "in")
    assert caught.value.line == line


def test_options_out_of_range():
    with pytest.raises(s.StudyError, match="alpha"):
        s.gauge_study(GOOD, "in", alpha=25)
    with pytest.raises(s.StudyError, match="tolerance"):
        s.gauge_study(GOOD, "in", tolerance=0)
    with pytest.raises(s.StudyError, match="no rows"):
        s.gauge_study([], "in")


def test_a_perfect_gauge_has_no_ndc():
    rows = [s.Check(str(i), who, str(k), float(2**i)) for i in range(4) for who in "AB" for k in (1, 2)]
    found = s.gauge_study(rows, "mm")
    assert (found.anova.ndc, found.anova["GRR"].sd, found.anova.grade) == (None, 0, "acceptable")


# --- command and page -------------------------------------------------------------------------------------


@pytest.fixture
def study(tmp_path, monkeypatch):
    """Run the command in a folder of its own; returns (exit code, standard output, standard error)."""
    typer = pytest.importorskip("typer")
    from typer.testing import CliRunner

    from cli.study import study_command

    app = typer.Typer()
    app.command()(study_command)
    monkeypatch.chdir(tmp_path)

    def run(*arguments):
        result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "120"})
        if result.exception and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result.exit_code, result.stdout, result.stderr

    return run


@pytest.fixture
def aiag_file(tmp_path):
    path = tmp_path / "aiag.csv"
    path.write_text(csv_of(rows_of(AIAG)))
    return path


def test_command_prints_both_methods(study, aiag_file):
    code, out, err = study(aiag_file, "--tolerance", "8")
    assert (code, err) == (0, "")
    for words in ("ANOVA", "Average and range", "0.3024", "0.3058", "% tolerance", "ndc): 4", "ndc): 5"):
        assert words in out


def test_command_json(study, aiag_file):
    code, out, _ = study(aiag_file, "--json", "--unit", "mm", "--tolerance", 8)
    found = json.loads(out)
    assert (code, found["unit"], found["tolerance"], found["interaction_pooled"]) == (0, "mm", 8, True)
    assert (found["parts"], found["appraisers"], found["trials"]) == (10, 3, 3)
    assert found["anova"]["components"]["GRR"]["sd"] == pytest.approx(0.302373, abs=5e-6)
    assert found["average_and_range"]["ndc"] == 5
    assert found["anova"]["table"][2]["df"] == 78


def test_page_shows_everything_and_trusts_no_name(study, tmp_path):
    rows = [s.Check(r.part, {"A": "<script>x</script>"}.get(r.appraiser, r.appraiser), r.trial, r.gap)
            for r in rows_of(HOUF)]
    (tmp_path / "a&b.csv").write_text(csv_of(rows))
    code, _, err = study("a&b.csv", "--tolerance", 40, "--html", "page.html")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert (code, err) == (0, "Page written to page.html\n")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "a&amp;b.csv" in page
    assert page.count("<polyline") == 3
    assert page.count("<circle") >= 90
    assert "http" not in page  # the page needs nothing but itself
    ElementTree.fromstring(page[page.index("<svg"):page.index("</svg>") + 6])


def test_verdicts_command(study, tmp_path):
    (tmp_path / "v.csv").write_text(VERDICTS)
    code, out, _ = study("--verdicts", "v.csv", "--reference", "ruler", "--html", "v.html")
    assert code == 0
    assert "Against ruler" in out
    assert "Against ruler" in (tmp_path / "v.html").read_text(encoding="utf-8")
    found = json.loads(study("--verdicts", "v.csv", "--json")[1])
    assert found["pairs"][0]["kappa"] == pytest.approx(0.6, abs=0.01)
    assert found["reference"] is None


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "Name one file"),
        (["aiag.csv", "--verdicts", "aiag.csv"], "Name one file"),
        (["aiag.csv", "--reference", "A"], "--reference goes with --verdicts"),
        (["nowhere.csv"], "nowhere.csv could not be read"),
        (["."], ". is a folder: name the fitting of its photos with --fitting"),
        (["--verdicts", "."], "Put the verdicts into a CSV"),
        (["aiag.csv", "--fitting", "demo-2"], "go with a folder of photos"),
        ([".", "--fitting", "demo-7"], "demo-7"),
        ([".", "--fitting", "demo-2"], "There are no photos in this folder"),
        (["latin.csv"], "not text in UTF-8"),
        (["bad.csv"], "bad.csv, line 3: The gap 'wide' is not a number"),
        (["mm.csv", "--unit", "in"], "Make them agree"),
        (["aiag.csv", "--alpha", "25"], "alpha is a probability"),
        (["aiag.csv", "--html", "no/such/page.html"], "could not be written"),
        (["aiag.csv", "--html", "./aiag.csv"], "would be overwritten. Name another with --html."),
        (["--verdicts", "aiag.csv", "--html", "aiag.csv"], "would be overwritten"),
        (["--verdicts", "aiag.csv"], "aiag.csv, line 1: No column is named verdict"),
    ],
)
@pytest.mark.usefixtures("aiag_file")
def test_misuse_ends_with_2_and_a_sentence(study, tmp_path, arguments, words):
    (tmp_path / "latin.csv").write_bytes("part,appraiser,trial,gap\n1,J\xfcrg,1,0.1\n".encode("latin-1"))
    (tmp_path / "bad.csv").write_text("part,appraiser,trial,gap\n1,A,1,0.1\n1,A,2,wide\n")
    (tmp_path / "mm.csv").write_text(csv_of(GOOD, "part,appraiser,trial,gap_mm"))
    code, out, err = study(*arguments)
    assert (code, out) == (2, "")
    assert words in err


def test_the_page_never_takes_the_place_of_a_photo_of_the_study(study, tmp_path):
    (tmp_path / "shots").mkdir()
    (tmp_path / "shots" / "1_A_1.jpg").write_bytes(b"a photo")
    code, out, err = study("shots", "--fitting", "demo-2", "--html", "shots/1_A_1.jpg")
    assert (code, out) == (2, "")
    assert "would be overwritten" in err
    assert (tmp_path / "shots" / "1_A_1.jpg").read_bytes() == b"a photo"


def test_spreadsheets_utf16_is_read(study, tmp_path):
    text = csv_of(GOOD, "part\tappraiser\ttrial\tgap", "\t")
    (tmp_path / "u.csv").write_bytes(text.encode("utf-16"))
    assert study("u.csv", "--json")[0] == 0


# --- a folder of photos -----------------------------------------------------------------------------------


@pytest.fixture
def shoot(tmp_path, monkeypatch):
    """Write a study of photos (3 parts, 2 appraisers, 2 trials) whose bytes are their gaps in mm.

    The stub answers such bytes, and `!` with a fault of its own; other bytes go to the real reader.
    """
    import cli.check
    from tests.answers import known_verdict, refused
    from vision.pipeline import inspect

    seen = []

    def stub(data, fitting, camera, confidence):
        seen.append(data.decode())
        if data == b"!":
            raise RuntimeError("out of tea")
        if not data[:1].isdigit():
            return refused("no-joint") if data == b"none" else inspect(data, fitting, camera, confidence)
        known = known_verdict()
        gap = replace(known.measurement.gap, value_mm=float(data))
        return replace(known, measurement=replace(known.measurement, gap=gap))

    monkeypatch.setattr(cli.check, "inspect", stub)

    def write(pattern, **instead):
        for part, who, trial in product((2, 9, 10), ("Ann", "Bo"), (1, 2)):
            gap = part + (0.5 if who == "Bo" else 0) + trial / 8
            path = tmp_path / pattern.format(part=part, who=who, trial=trial)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(instead.get(f"{who}{part}{trial}", str(gap)))
        return seen

    return write


FLAT = "photos/{part}_{who}_{trial}.jpg"


@pytest.mark.parametrize("pattern", [FLAT, "photos/{part}/{who}/{trial}.png", "photos/J_0{part}_{who}_{trial}.HEIC"])
def test_a_folder_of_photos_is_a_study(study, shoot, tmp_path, pattern):
    seen = shoot(pattern)
    (tmp_path / "photos" / "remarks.txt").write_text("windy")
    (tmp_path / "photos" / ".9_Ann_1.jpg").write_text("hidden")
    code, out, err = study("photos", "--fitting", "demo-2", "--unit", "mm", "--json", "--html", "p.html")
    found = json.loads(out)
    assert (code, err) == (0, "Page written to p.html\n")
    assert (found["file"], found["unit"]) == ("photos", "mm")
    assert (found["parts"], found["appraisers"], found["trials"]) == (3, 2, 2)
    assert seen == ["2.125", "2.25", "2.625", "2.75", "9.125", "9.25", "9.625", "9.75", "10.125", "10.25",
                    "10.625", "10.75"]
    rows = [s.Check(str(p), who, str(t), p + (0.5 if who == "Bo" else 0) + t / 8)
            for p, who, t in product((2, 9, 10), ("Ann", "Bo"), (1, 2))]
    expected = s.gauge_study(rows, "mm").anova["GRR"].sd
    assert found["anova"]["components"]["GRR"]["sd"] == pytest.approx(expected, rel=1e-9)
    inches = json.loads(study("photos", "--fitting", "demo-2", "--json")[1])
    assert inches["unit"] == "in"
    assert inches["anova"]["components"]["GRR"]["sd"] * 25.4 == pytest.approx(expected, rel=1e-9)


def test_photos_without_a_gap_are_all_named_with_why_and_what_to_do(study, shoot):
    seen = shoot(FLAT, Ann21="none", Bo102="Dear sir")
    code, out, err = study("photos", "--fitting", "demo-2")
    assert (code, out, len(seen)) == (2, "", 12)
    assert "2 of 12 photos give no gap" in err
    assert "2_Ann_1.jpg: No collar with a pipe in it was found. Take the photo again" in err
    assert "10_Bo_2.jpg: The file could not be read as a photo" in err
    assert "Send the original picture file: JPEG, PNG, WebP, HEIC or TIFF. [not-a-photo]" in err
    assert "Take these photos again under the same names" in err


@pytest.mark.parametrize(("change", "words"), [
    (lambda photos: (photos / "9_Bo_2.jpg").unlink(), "part 9 by Bo: 1 of 2 photos"),
    (lambda photos: [path.unlink() for path in photos.glob("10_Ann_*")], "part 10 by Ann: 0 of 2 photos"),
    (lambda photos: [path.unlink() for path in photos.glob("*_Bo_*")], "Only one appraiser, Ann"),
    (lambda photos: (photos / "IMG-1.jpg").write_text("3"), "IMG-1.jpg"),
    (lambda photos: (photos / "2_Ann_1.png").write_text("3"), "twice: 2_Ann_1.jpg and 2_Ann_1.png"),
])
def test_names_and_cells_are_settled_before_a_photo_is_opened(study, shoot, tmp_path, change, words):
    seen = shoot(FLAT)
    change(tmp_path / "photos")
    code, out, err = study("photos", "--fitting", "demo-2")
    assert (code, out, seen) == (2, "", [])
    assert words in err


def test_a_copied_photo_is_no_trial(study, shoot):
    seen = shoot(FLAT, Bo91="9.125")
    code, out, err = study("photos", "--fitting", "demo-2")
    assert (code, out, seen) == (2, "", [])
    assert "9_Bo_1.jpg is the same file as 9_Ann_1.jpg" in err


def test_gaps_of_0_are_spoken_of(study, shoot):
    shoot(FLAT, Ann21="0", Ann22="0.0")
    code, _, err = study("photos", "--fitting", "demo-2")
    assert code == 0
    assert "2 of 12 gaps are 0" in err


def test_a_fault_on_a_photo_names_it(study, shoot):
    shoot(FLAT, Bo21="!")
    code, out, err = study("photos", "--fitting", "demo-2")
    assert (code, out) == (1, "")
    assert "2_Bo_1.jpg: internal error (RuntimeError: out of tea)" in err
