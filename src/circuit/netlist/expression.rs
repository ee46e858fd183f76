//! Expressions as a list of steps for a stack, and their value with its exact derivative.

use super::source::Spot;

/// An expression; `N` is how it names a parameter: by a word as long as it is not known which one is meant, by its index later.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Expression<N> {
    /// Steps in the order of their evaluation.
    pub(crate) steps: Vec<Step<N>>,
    /// Where it stands.
    pub(crate) spot: Spot,
}

/// A step on the stack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Step<N> {
    /// Puts a number on it.
    Number(f64),
    /// Puts a parameter on it.
    Read(N),
    /// Takes one, gives one.
    One(One),
    /// Takes two, gives one.
    Two(Two),
    /// Takes a condition and two values, gives one of the values.
    Choose,
}

/// What is done with one value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum One {
    Negative,
    Not,
    Sqrt,
    Exp,
    Ln,
    Log10,
    Sin,
    Cos,
    Tan,
    Atan,
    Abs,
    Sign,
}

/// What is done with two values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Two {
    Plus,
    Minus,
    Times,
    Over,
    /// `x` to the power of `y`.
    Power,
    /// |`x`| to the power of `y`.
    PowerOfSize,
    Smaller,
    Larger,
    Less,
    LessOrEqual,
    More,
    MoreOrEqual,
    Equal,
    Unequal,
    And,
    Or,
}

/// A value and its derivative with respect to one thing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Dual {
    /// The value.
    pub(crate) value: f64,
    /// The derivative.
    pub(crate) slope: f64,
}

impl Dual {
    /// What does not depend on it.
    pub(crate) const fn constant(value: f64) -> Self {
        Self { value, slope: 0.0 }
    }

    /// The chain rule; what does not depend on it stays so even where the derivative is infinite.
    fn through(self, value: f64, derivative: f64) -> Self {
        Self { value, slope: if self.slope == 0.0 { 0.0 } else { derivative * self.slope } }
    }
}

impl<N> Expression<N> {
    /// The same with other steps for those that read a parameter.
    pub(crate) fn bound<'a, M, E>(
        &'a self,
        mut step_of: impl FnMut(&'a N) -> Result<Step<M>, E>,
    ) -> Result<Expression<M>, E> {
        let steps: Result<Vec<Step<M>>, E> = self
            .steps
            .iter()
            .map(|step| {
                Ok(match step {
                    Step::Number(number) => Step::Number(*number),
                    Step::Read(read) => step_of(read)?,
                    Step::One(one) => Step::One(*one),
                    Step::Two(two) => Step::Two(*two),
                    Step::Choose => Step::Choose,
                })
            })
            .collect();
        Ok(Expression { steps: steps?, spot: self.spot })
    }

    /// The parameters that it reads.
    pub(crate) fn reads(&self) -> impl Iterator<Item = &N> {
        self.steps.iter().filter_map(|step| if let Step::Read(read) = step { Some(read) } else { None })
    }
}

impl Expression<usize> {
    /// Its value with the derivative, parameters from `parameter`. Not a number where it has no value.
    pub(crate) fn value(&self, parameter: impl Fn(usize) -> Dual, stack: &mut Vec<Dual>) -> Dual {
        stack.clear();
        for step in &self.steps {
            let result = match step {
                Step::Number(number) => Dual::constant(*number),
                Step::Read(read) => parameter(*read),
                Step::One(one) => apply(*one, popped(stack)),
                Step::Two(two) => {
                    let y = popped(stack);
                    combine(*two, popped(stack), y)
                }
                Step::Choose => {
                    let (no, yes) = (popped(stack), popped(stack));
                    if popped(stack).value == 0.0 { no } else { yes }
                }
            };
            stack.push(result);
        }
        popped(stack)
    }
}

/// The reader makes no expression that takes more than is there.
fn popped(stack: &mut Vec<Dual>) -> Dual {
    stack.pop().unwrap_or(Dual::constant(f64::NAN))
}

fn apply(one: One, x: Dual) -> Dual {
    let v = x.value;
    match one {
        One::Negative => x.through(-v, -1.0),
        One::Not => Dual::constant(f64::from(v == 0.0)),
        One::Sqrt => x.through(v.sqrt(), 0.5 / v.sqrt()),
        One::Exp => x.through(v.exp(), v.exp()),
        One::Ln => x.through(v.ln(), 1.0 / v),
        One::Log10 => x.through(v.log10(), std::f64::consts::LOG10_E / v),
        One::Sin => x.through(v.sin(), v.cos()),
        One::Cos => x.through(v.cos(), -v.sin()),
        One::Tan => x.through(v.tan(), 1.0 + v.tan() * v.tan()),
        One::Atan => x.through(v.atan(), 1.0 / (1.0 + v * v)),
        One::Abs => x.through(v.abs(), sign(v)),
        One::Sign => Dual::constant(sign(v)),
    }
}

/// -1, 0 or 1.
fn sign(v: f64) -> f64 {
    if v == 0.0 { 0.0 } else { v.signum() }
}

fn combine(two: Two, x: Dual, y: Dual) -> Dual {
    let (a, b) = (x.value, y.value);
    let sum = |value: f64, by_x: f64, by_y: f64| Dual {
        value,
        slope: x.through(0.0, by_x).slope + y.through(0.0, by_y).slope,
    };
    let truth = |holds: bool| Dual::constant(f64::from(holds));
    match two {
        Two::Plus => sum(a + b, 1.0, 1.0),
        Two::Minus => sum(a - b, 1.0, -1.0),
        Two::Times => sum(a * b, b, a),
        Two::Over => sum(a / b, 1.0 / b, -a / b / b),
        Two::Power => sum(a.powf(b), b * a.powf(b - 1.0), a.powf(b) * a.ln()),
        Two::PowerOfSize => {
            let size = a.abs();
            sum(size.powf(b), sign(a) * b * size.powf(b - 1.0), size.powf(b) * size.ln())
        }
        Two::Smaller => {
            if b < a {
                y
            } else {
                x
            }
        }
        Two::Larger => {
            if b > a {
                y
            } else {
                x
            }
        }
        Two::Less => truth(a < b),
        Two::LessOrEqual => truth(a <= b),
        Two::More => truth(a > b),
        Two::MoreOrEqual => truth(a >= b),
        Two::Equal => truth(a == b),
        Two::Unequal => truth(a != b),
        Two::And => truth(a != 0.0 && b != 0.0),
        Two::Or => truth(a != 0.0 || b != 0.0),
    }
}
