//! The fastest safe way found to read a short decimal number: its digits as a whole number over a power of ten, which is
//! exact rounding while both fit 53 bits (W. D. Clinger, "How to read floating point numbers accurately", PLDI 1990: from
//! memory); anything else goes to fast_float2.

/// Digits that always fit 53 bits.
const EXACT_DIGITS: usize = 15;

const POWERS: [f64; EXACT_DIGITS + 1] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];

fn digit(bytes: &[u8], at: usize) -> Option<u64> {
    bytes.get(at).map(|byte| byte.wrapping_sub(b'0')).filter(|digit| *digit < 10).map(u64::from)
}

/// The number at the start and its length.
#[inline(always)]
pub fn parse(bytes: &[u8]) -> Option<(f64, usize)> {
    let negative = bytes.first() == Some(&b'-');
    let start = usize::from(negative);
    let (mut at, mut whole, mut decimals) = (start, 0_u64, 0_usize);
    while let Some(digit) = digit(bytes, at) {
        whole = whole.wrapping_mul(10).wrapping_add(digit);
        at += 1;
    }
    let mut digits = at - start;
    if bytes.get(at) == Some(&b'.') {
        at += 1;
        while let Some(digit) = digit(bytes, at) {
            whole = whole.wrapping_mul(10).wrapping_add(digit);
            at += 1;
            decimals += 1;
        }
        digits += decimals;
    }
    if digits == 0 || digits > EXACT_DIGITS || !matches!(bytes.get(at), Some(b',' | b'\n' | b'\r')) {
        return fast_float2::parse_partial(bytes).ok();
    }
    let value = whole as f64 / POWERS.get(decimals)?;
    Some((if negative { -value } else { value }, at))
}
