//! The exponential from additions, multiplications and shifts only, so that a compiler can lay lanes side by side and
//! every lane count, instruction set and number type gives the same bits.

/// Adding it rounds to a whole number in the low bits.
const TO_WHOLE: f64 = 6_755_399_441_055_744.0;
/// `ln 2` in two parts; the product of the first with a whole number below 2^11 is exact.
const LN2_HIGH: f64 = 6.931_471_803_691_238e-1;
const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;
/// Beyond these the result is not a normal number.
const LARGEST: f64 = 709.0;

/// `exp(x)` within two units in the last place; 0 below -709 and infinite above 709.
///
/// ```
/// use matledger::number::exp;
/// assert!((exp(1.0) - std::f64::consts::E).abs() < 1e-15);
/// assert_eq!((exp(0.0), exp(-1e3), exp(1e3)), (1.0, 0.0, f64::INFINITY));
/// assert!(exp(f64::NAN).is_nan());
/// ```
#[inline(always)]
pub fn exp(x: f64) -> f64 {
    let shifted = x * std::f64::consts::LOG2_E + TO_WHOLE;
    let whole = shifted - TO_WHOLE;
    let r = (x - whole * LN2_HIGH) - whole * LN2_LOW;
    let mut sum = 1.0 / 6_227_020_800.0;
    for inverse in [
        1.0 / 479_001_600.0,
        1.0 / 39_916_800.0,
        1.0 / 3_628_800.0,
        1.0 / 362_880.0,
        1.0 / 40_320.0,
        1.0 / 5_040.0,
        1.0 / 720.0,
        1.0 / 120.0,
        1.0 / 24.0,
        1.0 / 6.0,
        0.5,
        1.0,
        1.0,
    ] {
        sum = sum * r + inverse;
    }
    let power = f64::from_bits((shifted.to_bits() << 52).wrapping_add(1.0_f64.to_bits()));
    let inside = sum * power;
    let high = if x > LARGEST { f64::INFINITY } else { inside };
    if x < -LARGEST { 0.0 } else { high }
}
