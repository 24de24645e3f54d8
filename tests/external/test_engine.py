"""The solver, the losses and the scales against published fits and general-purpose packages.

All go through the engine that carries the time model: one condensed residual block, bounds, joint scale.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import least_squares, root

from lobetime import _core

from .provenance import Check, complete

Doubles = npt.NDArray[np.float64]
Mean = Callable[[Doubles], tuple[Doubles, Doubles]]
Start = tuple[float, ...]

# MASS and robustbase take 0.6745 for the upper quartile of the normal. An M-estimate with their scale MAD / 0.6745 and
# tuning a is ours with scale MAD / 0.67449 and tuning a * QUARTILE_RATIO, so their digits can be met exactly.
QUARTILE = 0.6744897501960817
QUARTILE_RATIO = QUARTILE / 0.6745


def fit(mean: Mean, y: Doubles, start: Start, *, lower: float = -np.inf, **settings: object) -> dict[str, object]:
    p = len(start)
    return _core.fit_robust_regression(
        mean,
        y,
        np.asarray(start, dtype=float),
        names=[f"b{i}" for i in range(p)],
        lower=np.full(p, lower),
        upper=np.full(p, np.inf),
        **settings,
    )


# ------------------------------------------------------------------------------------------- curve-fitting tables

CURVES = np.loadtxt(
    Path(__file__).parent / "data" / "curve_fitting.csv", delimiter=",", comments="#", skiprows=30, dtype=float
)
X = CURVES[:, 0]
CURVE_Y = {"clean": CURVES[:, 1], "with outliers": CURVES[:, 2]}

CERES = (
    "Ceres Solver 2.1.0 with its own loss functions, one block a row, function_tolerance 1e-16; its parameters, which "
    "a test of the cost leaves up to 8e-9 short, then carried on by Newton steps to a gradient below 3e-13"
)
TO_THE_DIGIT = "half of the last of ten digits"
# Ceres's cost is 1/2 sum rho(r^2); our rho is half of its rho: with the scale held at 1 the constants are the same.
CERES_LOSSES = {
    "none": {"loss": "squares"},
    "huber": {"loss": "huber", "tuning": 0.5},
    "soft_l1": {"loss": "soft_l1", "tuning": 0.5},
    "cauchy": {"loss": "cauchy", "tuning": 0.5},
    "tukey": {"loss": "bisquare", "tuning": 1.0},
}


def curve(data: str, loss: str, m: float, c: float, cost: float) -> Check:
    return Check(
        name=f"{data}, {loss}",
        expected=(m, c, cost),
        source=CERES,
        kind="run",
        tolerance=5.1e-11,
        reason=TO_THE_DIGIT,
        absolute=True,
        settings={"data": data, **CERES_LOSSES[loss]},
    )


CURVE_CHECKS = [
    # name of the table, loss; m, c, cost
    curve("clean", "none", 0.2918711996, 0.1314013686, 1.0567512904),
    curve("clean", "huber", 0.2918711996, 0.1314013686, 1.0567512904),
    curve("clean", "soft_l1", 0.2910387844, 0.1357275207, 0.9763856413),
    curve("clean", "cauchy", 0.2902581741, 0.1397957698, 0.9056409066),
    curve("clean", "tukey", 0.2905270291, 0.1383457922, 0.9599998082),
    curve("with outliers", "none", 0.2539715563, 0.2918271806, 15.1312354887),
    curve("with outliers", "huber", 0.2852303977, 0.1595502376, 4.6191209291),
    curve("with outliers", "soft_l1", 0.2835411436, 0.1677357481, 4.3118958125),
    curve("with outliers", "cauchy", 0.2875446608, 0.1514468724, 1.9028831391),
    curve("with outliers", "tukey", 0.2887353427, 0.1460247684, 1.2677358194),
]
CURVE_PRINTED = Check(
    name="clean, none, as printed",
    expected=(0.291861, 0.131439, 1.056751),
    source="Ceres Solver tutorial, Curve Fitting",
    kind="published",
    tolerance=5e-5,
    reason="the tutorial's default tolerances stop about 4e-5 early in c",
    absolute=True,
    settings={"data": "clean", "loss": "squares"},
)


def exponential(theta: Doubles) -> tuple[Doubles, Doubles]:
    fitted = np.exp(theta[0] * X + theta[1])
    return fitted, np.column_stack([fitted * X, fitted])


def fit_curve(check: Check) -> dict[str, object]:
    settings = {name: value for name, value in check.settings.items() if name != "data"}
    y = CURVE_Y[str(check.settings["data"])]
    start: Start = (0.0, 0.0)
    if settings["loss"] == "bisquare":  # a redescending loss starts from a fit with a convex one
        start = tuple(fit(exponential, y, start, loss="huber", tuning=0.5, scale_method="fixed")["theta"])
    return fit(exponential, y, start, scale_method="fixed", scale=1.0, **settings)


def test_the_table_is_whole():
    assert CURVES.shape == (67, 3)
    assert np.count_nonzero(CURVES[:, 1] != CURVES[:, 2]) == 2


@pytest.mark.parametrize("check", [*CURVE_CHECKS, CURVE_PRINTED], ids=lambda check: check.name)
def test_curve_fitting_tables(check):
    found = fit_curve(check)
    check.holds([*found["theta"], found["cost"]])


@pytest.mark.parametrize("check", [c for c in CURVE_CHECKS if c.settings["loss"] != "bisquare"], ids=lambda c: c.name)
def test_curve_fitting_tables_solved_by_scipy(check):
    """A second solver with losses of its own; it has no bisquare."""
    loss = {"squares": "linear"}.get(check.settings["loss"], check.settings["loss"])
    y = CURVE_Y[str(check.settings["data"])]
    other = least_squares(
        lambda theta: exponential(theta)[0] - y,
        [0.0, 0.0],
        jac=lambda theta: exponential(theta)[1],
        loss=loss,
        f_scale=check.settings.get("tuning", 1.0),
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-14,
        max_nfev=2000,
    )
    found = fit_curve(check)
    assert found["cost"] == pytest.approx(other.cost, rel=1e-12)
    # A minimum is flat: at a cost right to rounding, parameters are right to about its square root.
    np.testing.assert_allclose(found["theta"], other.x, rtol=2e-7)


# ------------------------------------------------------------------------------------------------------ Puromycin

# Reaction velocity (counts/min^2) against substrate concentration (ppm), treated cells: Treloar 1974, as given in Bates
# and Watts, Nonlinear Regression Analysis and Its Applications, Wiley 1988, appendix A1.3.
CONC = np.repeat([0.02, 0.06, 0.11, 0.22, 0.56, 1.10], 2)
RATE = np.array([76, 47, 97, 107, 123, 139, 159, 152, 191, 201, 207, 200], dtype=float)
RATE_WITH_OUTLIER = np.where(np.arange(12) == 2, 297.0, RATE)

NLROB = "R 4.2.2, robustbase 0.95-0, nlrob"
NLROB_REASON = (
    "nlrob and nls stop early: their results lie up to 3e-5 from the stationary point, which "
    "test_puromycin_is_a_stationary_point holds to 1e-8; the constant of the MAD is taken into account"
)
NLROB_TOLERANCE = 3e-5


def puromycin(
    name: str, expected: tuple[float, ...], source: str, tolerance: float, reason: str, **settings: object
) -> Check:
    kind = str(settings.pop("kind", "run"))
    return Check(f"Puromycin, {name}", expected, source, kind, tolerance, reason, settings=settings)


PUROMYCIN_CHECKS = [
    puromycin(
        "least squares",
        (212.683743063, 0.0641212815654, 10.9336581913),
        "R 4.2.2, nls",
        5e-9,
        "nls stops with digit 9 or 10 still moving",
        loss="squares",
        scale_method="sd",
    ),
    puromycin(
        "least squares, as printed",
        (212.68370711, 0.06412123, np.sqrt(1195.449 / 10)),
        "R's documentation of nls (Michaelis-Menten example) prints these digits; data of Bates and Watts 1988",
        1e-6,
        "nls with its default tolerance stops early: digit 7 differs",
        kind="published",
        loss="squares",
        scale_method="sd",
    ),
    puromycin(
        "Huber",
        (214.946764116, 0.068615068913, 8.50309191315),
        NLROB,
        NLROB_TOLERANCE,
        NLROB_REASON,
        loss="huber",
        tuning=1.345,
        scale_method="mad",
    ),
    puromycin(
        "bisquare",
        (215.375685202, 0.0694622082202, 8.65761064704),
        NLROB,
        NLROB_TOLERANCE,
        NLROB_REASON,
        loss="bisquare",
        tuning=4.685,
        scale_method="mad",
    ),
    puromycin(
        "least squares, outlier",
        (199.119575754, 0.0252991541672),
        "R 4.2.2, nls",
        NLROB_TOLERANCE,
        NLROB_REASON,
        loss="squares",
        scale_method="sd",
        outlier=True,
    ),
    puromycin(
        "Huber, outlier",
        (211.067443312, 0.0592043517, 10.3956679654),
        NLROB,
        NLROB_TOLERANCE,
        NLROB_REASON,
        loss="huber",
        tuning=1.345,
        scale_method="mad",
        outlier=True,
    ),
    puromycin(
        "bisquare, outlier",
        (214.564616554, 0.0673610348, 8.7801623986),
        NLROB,
        NLROB_TOLERANCE,
        NLROB_REASON,
        loss="bisquare",
        tuning=4.685,
        scale_method="mad",
        outlier=True,
    ),
]
PUROMYCIN_WEIGHTS = Check(
    "Puromycin, Huber weights of observations 1 and 8",
    (0.416067062, 0.965483299),
    NLROB,
    "run",
    NLROB_TOLERANCE,
    NLROB_REASON,
    settings={"loss": "huber", "tuning": 1.345, "scale_method": "mad"},
)


def michaelis_menten(theta: Doubles) -> tuple[Doubles, Doubles]:
    share = CONC / (theta[1] + CONC)
    return theta[0] * share, np.column_stack([share, -theta[0] * share / (theta[1] + CONC)])


def with_our_quartile(settings: dict[str, object]) -> dict[str, object]:
    """Settings of a package whose MAD divides by 0.6745, in terms of ours."""
    return {**settings, "tuning": float(str(settings["tuning"])) * QUARTILE_RATIO} if "tuning" in settings else settings


def fit_puromycin(check: Check) -> dict[str, object]:
    settings = dict(check.settings)
    y = RATE_WITH_OUTLIER if settings.pop("outlier", False) else RATE
    start: Start = (200.0, 0.05)
    if settings["loss"] == "bisquare":
        start = tuple(fit(michaelis_menten, y, start, lower=0.0, loss="huber")["theta"])
    return fit(michaelis_menten, y, start, lower=0.0, **with_our_quartile(settings))


@pytest.mark.parametrize("check", PUROMYCIN_CHECKS, ids=lambda check: check.name)
def test_puromycin(check):
    found = fit_puromycin(check)
    scale = found["scale"] * (QUARTILE_RATIO if check.settings["scale_method"] == "mad" else 1.0)
    check.holds([*found["theta"], scale][: len(check.expected)])


def test_puromycin_weights():
    PUROMYCIN_WEIGHTS.holds(np.take(fit_puromycin(PUROMYCIN_WEIGHTS)["weights"], [0, 7]))


@pytest.mark.parametrize("check", PUROMYCIN_CHECKS, ids=lambda check: check.name)
def test_puromycin_is_a_stationary_point(check):
    """The estimating equations, with the scale inside them, solved by scipy's root finder from the published values."""
    settings = with_our_quartile(check.settings)
    y = RATE_WITH_OUTLIER if settings.get("outlier", False) else RATE
    unit = np.array([200.0, 0.06])

    def equations(scaled: Doubles) -> Doubles:
        fitted, jacobian = michaelis_menten(scaled * unit)
        r = y - fitted
        if settings["loss"] == "squares":
            pull = r
        else:
            a = settings["tuning"]
            u = r / (np.median(np.abs(r)) / QUARTILE)
            pull = np.clip(u, -a, a) if settings["loss"] == "huber" else u * np.clip(1 - (u / a) ** 2, 0, None) ** 2
        return jacobian.T @ pull * unit / 1e3

    solved = root(equations, np.array(check.expected[:2]) / unit, tol=1e-14)
    assert np.max(np.abs(solved.fun)) < 1e-11
    np.testing.assert_allclose(fit_puromycin(check)["theta"], solved.x * unit, rtol=1e-8)


# ------------------------------------------------------------------------------------------------------ stack loss

# 21 days of a plant oxidising ammonia: air flow, cooling water temperature, acid concentration, stack loss. Brownlee,
# Statistical Theory and Methodology in Science and Engineering, 2nd ed., Wiley 1965, pp. 491-500.
AIR = [80, 80, 75, 62, 62, 62, 62, 62, 58, 58, 58, 58, 58, 58, 50, 50, 50, 50, 50, 56, 70]
WATER = [27, 27, 25, 24, 22, 23, 24, 24, 23, 18, 18, 17, 18, 19, 18, 18, 19, 19, 20, 20, 20]
ACID = [89, 88, 90, 87, 87, 87, 93, 93, 87, 80, 89, 88, 82, 93, 89, 86, 72, 79, 80, 82, 91]
LOSS = np.array([42, 37, 37, 28, 18, 18, 19, 20, 15, 14, 14, 13, 11, 12, 8, 7, 8, 8, 9, 15, 15], dtype=float)
DESIGN = np.column_stack([np.ones(21), AIR, WATER, ACID])

RLM = "R 4.2.2, MASS 7.3-58.2, rlm with acc = 1e-12"
RLM_REASON = "the constant of the MAD is taken into account; rlm is converged to 1e-12, 9 to 10 digits are given"
STATSMODELS = "statsmodels 0.13.5, RLM"
STATSMODELS_REASON = "RLM stops at an absolute change of 1e-8 of its deviance, after which digit 6 still moves"

STACKLOSS_CHECKS = [
    Check(
        "least squares",
        (-39.919674420, 0.715640200, 1.295286124, -0.152122519),
        "R 4.2.2, lm",
        "run",
        1e-8,
        "digits given",
        settings={"loss": "squares", "scale_method": "sd"},
    ),
    Check(
        "Huber, MAD by 0.6745",
        (-41.026485373, 0.829385770, 0.926059416, -0.127846318, 2.440489046),
        RLM,
        "run",
        1e-8,
        RLM_REASON,
        settings={"loss": "huber", "tuning": 1.345, "scale_method": "mad", "quartile": 0.6745},
    ),
    Check(
        "Huber, MAD by 0.67449",
        (-41.026498352, 0.829384335, 0.926065966, -0.127846725, 2.440536092),
        STATSMODELS,
        "run",
        5e-6,
        STATSMODELS_REASON,
        settings={"loss": "huber", "tuning": 1.345, "scale_method": "mad"},
    ),
    Check(
        "Huber, as printed",
        (-41.026498, 0.829384, 0.926066, -0.127847),
        "statsmodels documentation, Robust Linear Models",
        "published",
        5e-6,
        "six digits are printed",
        settings={"loss": "huber", "tuning": 1.345, "scale_method": "mad"},
    ),
    Check(
        "bisquare, MAD by 0.6745",
        (-42.285321536, 0.927558993, 0.650711198, -0.112333123, 2.281853315),
        RLM,
        "run",
        1e-8,
        RLM_REASON,
        settings={"loss": "bisquare", "tuning": 4.685, "scale_method": "mad", "quartile": 0.6745},
    ),
    Check(
        "bisquare, MAD by 0.67449",
        (-42.285350779, 0.927557323, 0.650717687, -0.112333154, 2.281881335),
        STATSMODELS,
        "run",
        5e-6,
        STATSMODELS_REASON,
        settings={"loss": "bisquare", "tuning": 4.685, "scale_method": "mad"},
    ),
    Check(
        "Huber, Proposal 2",
        (-41.140878413, 0.816732448, 0.983794408, -0.131433293, 2.855132720),
        RLM + ', scale.est = "proposal 2" (divides by n - p; statsmodels HuberScale is tuned otherwise)',
        "run",
        1e-8,
        "digits given",
        settings={"loss": "huber", "tuning": 1.345, "scale_method": "proposal2"},
    ),
]
STACKLOSS_WEIGHTS = [
    Check(
        "Huber weights of observations 3, 4 and 21",
        (0.785796613, 0.504855925, 0.368083782),
        RLM,
        "run",
        1e-8,
        RLM_REASON,
        settings={
            "loss": "huber",
            "tuning": 1.345,
            "scale_method": "mad",
            "quartile": 0.6745,
            "observations": [2, 3, 20],
        },
    ),
    Check(
        "bisquare weight of observation 21",
        (0.002217855,),
        RLM,
        "run",
        1e-6,
        "seven digits are given",
        settings={"loss": "bisquare", "tuning": 4.685, "scale_method": "mad", "quartile": 0.6745, "observations": [20]},
    ),
]


def linear(theta: Doubles) -> tuple[Doubles, Doubles]:
    return DESIGN @ theta, DESIGN


def fit_stackloss(check: Check) -> tuple[dict[str, object], float]:
    """The fit, and its scale in the source's convention."""
    settings = {name: value for name, value in check.settings.items() if name != "observations"}
    ratio = 1.0
    if settings.pop("quartile", QUARTILE) == 0.6745:
        settings, ratio = with_our_quartile(settings), QUARTILE_RATIO
    start: Start = (0.0, 0.0, 0.0, 0.0)
    if settings["loss"] == "bisquare":
        start = tuple(fit(linear, LOSS, start, loss="huber")["theta"])
    found = fit(linear, LOSS, start, **settings)
    return found, found["scale"] * ratio


@pytest.mark.parametrize("check", STACKLOSS_CHECKS, ids=lambda check: check.name)
def test_stackloss(check):
    found, scale = fit_stackloss(check)
    check.holds([*found["theta"], scale][: len(check.expected)])


@pytest.mark.parametrize("check", STACKLOSS_WEIGHTS, ids=lambda check: check.name)
def test_stackloss_weights(check):
    weights = np.asarray(fit_stackloss(check)[0]["weights"])
    check.holds(weights[check.settings["observations"]])
    if check.settings["loss"] == "huber":
        assert np.all(np.delete(weights, check.settings["observations"]) == 1.0)


@pytest.mark.parametrize("norm, loss", [("HuberT", "huber"), ("TukeyBiweight", "bisquare")])
def test_stackloss_against_statsmodels_as_installed(norm, loss):
    robust = pytest.importorskip("statsmodels.api")
    data = robust.datasets.stackloss.load_pandas().data
    np.testing.assert_array_equal(data[["AIRFLOW", "WATERTEMP", "ACIDCONC"]], DESIGN[:, 1:])
    np.testing.assert_array_equal(data["STACKLOSS"], LOSS)
    tuning = {"huber": 1.345, "bisquare": 4.685}[loss]
    other = robust.RLM(LOSS, DESIGN, M=getattr(robust.robust.norms, norm)(tuning)).fit(
        conv="coefs", tol=1e-13, maxiter=2000
    )
    check = Check(
        f"{loss}, statsmodels as installed",
        (*other.params, other.scale),
        f"statsmodels {pytest.importorskip('statsmodels').__version__}, RLM, coefficients settled to 1e-13",
        "run",
        1e-9,
        "reweighting settles linearly: a last change of 1e-13 leaves about 1e-11",
        settings={"loss": loss, "tuning": tuning, "scale_method": "mad"},
    )
    assert not complete(check)
    found, scale = fit_stackloss(check)
    check.holds([*found["theta"], scale])


# ------------------------------------------------------------------------------------------- scales and weights

# 24 determinations of copper in wholemeal flour (parts per million), as in MASS, data set chem.
COPPER = [
    *(2.90, 3.10, 3.40, 3.40, 3.70, 3.70, 2.80, 2.50, 2.40, 2.40, 2.70, 2.20),
    *(5.28, 3.37, 3.03, 3.03, 28.95, 3.77, 3.40, 2.20, 3.50, 3.60, 3.70, 3.70),
]
MAD_OF_COPPER = Check(
    "median absolute deviation about the median",
    (float(np.median(np.abs(np.array(COPPER) - np.median(COPPER)))) / QUARTILE,),
    "definition; Huber and Ronchetti, Robust Statistics, 2nd ed., Wiley 2009, ch. 5",
    "derived",
    1e-14,
    "rounding",
)
WEIGHTS_OF_HUBER = Check(
    "Huber weights at 2, 3, 5 scales",
    (0.6725, 0.448333333333, 0.269),
    "statsmodels 0.13.5, norms.HuberT(1.345).weights",
    "run",
    1e-11,
    "digits given",
    settings={"loss": "huber", "at": [2.0, 3.0, 5.0]},
)
WEIGHTS_OF_BISQUARE = Check(
    "bisquare weights at .5, 1, 2, 3, 4, 4.685, 6 scales",
    (0.977349882784, 0.910956295503, 0.668733411889, 0.348056038788, 0.073465325586, 0.0, 0.0),
    "statsmodels 0.13.5, norms.TukeyBiweight(4.685).weights",
    "run",
    5.1e-13,
    "half of the last digit given",
    absolute=True,
    settings={"loss": "bisquare", "at": [0.5, 1.0, 2.0, 3.0, 4.0, 4.685, 6.0]},
)


def test_scale_of_copper():
    MAD_OF_COPPER.holds(_core.robust_scale(np.array(COPPER) - np.median(COPPER), "mad"))


@pytest.mark.parametrize("check", [WEIGHTS_OF_HUBER, WEIGHTS_OF_BISQUARE], ids=lambda check: check.name)
def test_weights(check):
    """A constant fitted to rows that cancel stays at zero, so the rows are their own standardised residuals."""
    at = np.array(check.settings["at"])
    rows = np.concatenate([at, -at, np.zeros(1)])

    def constant(theta: Doubles) -> tuple[Doubles, Doubles]:
        return np.full(rows.size, theta[0]), np.ones((rows.size, 1))

    found = fit(constant, rows, (0.0,), loss=check.settings["loss"], scale_method="fixed", scale=1.0)
    check.holds(found["weights"][: at.size])


def test_location_and_scale_of_copper_settle_jointly():
    """Huber's location with the MAD about it re-estimated, against a plain fixed-point iteration written here."""
    y = np.array(COPPER)
    mu = float(np.median(y))
    for _ in range(2000):
        scale = np.median(np.abs(y - mu)) / QUARTILE
        weights = np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(y - mu), 1e-300))
        mu = float(np.sum(weights * y) / np.sum(weights))

    def constant(theta: Doubles) -> tuple[Doubles, Doubles]:
        return np.full(y.size, theta[0]), np.ones((y.size, 1))

    found = fit(constant, y, (3.0,), loss="huber", tuning=1.5, scale_method="mad")
    np.testing.assert_allclose([found["theta"][0], found["scale"]], [mu, scale], rtol=1e-10)


COPPER_PROPOSAL_2 = Check(
    "Huber's Proposal 2 for location and scale",
    (3.20549780345, 0.67365204034),
    "R 4.2.2, MASS 7.3-58.2, hubers(chem, k = 1.5)",
    "run",
    1e-6,
    "hubers stops at a change of 1e-6 scales",
)


def test_huber_location_at_the_scale_of_proposal_2():
    """With the package's scale held, the location must be the package's."""

    def constant(theta: Doubles) -> tuple[Doubles, Doubles]:
        return np.full(len(COPPER), theta[0]), np.ones((len(COPPER), 1))

    scale = COPPER_PROPOSAL_2.expected[1]
    found = fit(constant, np.array(COPPER), (3.0,), loss="huber", tuning=1.5, scale_method="fixed", scale=scale)
    COPPER_PROPOSAL_2.holds([found["theta"][0], scale])


ALL_CHECKS = [
    *CURVE_CHECKS,
    CURVE_PRINTED,
    *PUROMYCIN_CHECKS,
    PUROMYCIN_WEIGHTS,
    *STACKLOSS_CHECKS,
    *STACKLOSS_WEIGHTS,
    MAD_OF_COPPER,
    WEIGHTS_OF_HUBER,
    WEIGHTS_OF_BISQUARE,
    COPPER_PROPOSAL_2,
]


def test_every_check_says_where_it_comes_from():
    assert {check.name: complete(check) for check in ALL_CHECKS if complete(check)} == {}
    names = [check.name for check in ALL_CHECKS]
    assert len(set(names)) == len(names)
