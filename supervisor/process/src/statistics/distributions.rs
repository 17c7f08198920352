//! Student's t, as far as an interval needs it.

/// Steps of the continued fraction; it converges in a few dozen for the degrees of freedom met here.
const MOST_STEPS: u32 = 300;

/// The value that Student's t with `freedom` degrees of freedom stays below with probability `probability`; `None` for a
/// probability that is not within 0 and 1, or no freedom. Within 1e-9 of its true value.
#[must_use]
pub fn t_quantile(probability: f64, freedom: f64) -> Option<f64> {
    let usable = probability > 0.0 && probability < 1.0 && freedom > 0.0 && freedom.is_finite();
    if !usable {
        return None;
    }
    let upper = probability.max(1.0 - probability);
    let (mut low, mut high) = (0.0, 1.0);
    while t_below(high, freedom) < upper && high < 1e12 {
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if t_below(middle, freedom) < upper { low = middle } else { high = middle }
    }
    Some(if probability < 0.5 { -high } else { high })
}

/// Probability that Student's t stays below `t`, which is 0 or more.
fn t_below(t: f64, freedom: f64) -> f64 {
    1.0 - 0.5 * incomplete_beta(freedom / 2.0, 0.5, freedom / (freedom + t * t))
}

/// The regularised incomplete beta function, by its continued fraction (DLMF 8.17.22), on the side where it converges.
fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(b, a, 1.0 - x);
    }
    let log_front =
        libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b) + a * libm::log(x) + b * libm::log1p(-x);
    libm::exp(log_front) / a * beta_fraction(a, b, x)
}

/// The fraction itself, from its head on (Lentz's way of doing it, from memory).
fn beta_fraction(a: f64, b: f64, x: f64) -> f64 {
    let not_zero = |value: f64| if value.abs() < 1e-300 { 1e-300 } else { value };
    let (mut value, mut upper, mut lower) = (1.0, 1.0, 0.0);
    for step in 1..=MOST_STEPS {
        let m = f64::from(step / 2);
        let part = if step % 2 == 0 {
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m))
        } else {
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0))
        };
        lower = 1.0 / not_zero(1.0 + part * lower);
        upper = not_zero(1.0 + part / upper);
        value *= upper * lower;
        if (upper * lower - 1.0).abs() < 1e-15 {
            break;
        }
    }
    1.0 / value
}
