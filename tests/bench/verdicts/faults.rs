//! What befalls the lights of an invented night, each with what a person would set it aside for.

use dawnledger::facts::SetAside;
use dawnledger::simulate::{Exposure, Fault};

use super::dice::Dice;

/// Something that a person would set a light aside for.
#[derive(Clone)]
pub struct Spoiled {
    /// None where persons differ.
    pub reason: Option<SetAside>,
    pub kind: Kind,
}

#[derive(Clone, Debug)]
pub enum Kind {
    As(Fault),
    /// Another field altogether.
    Elsewhere,
}

impl Spoiled {
    pub fn spoil(&self, exposure: &mut Exposure) {
        match self.kind {
            Kind::As(fault) => {
                exposure.fault = fault;
                match fault {
                    Fault::Clouds(through) => exposure.transparency *= through,
                    Fault::Moved([x, y]) => {
                        exposure.pointing_px[0] += x;
                        exposure.pointing_px[1] += y;
                    }
                    _ => {}
                }
            }
            Kind::Elsewhere => exposure.target = Some("Elsewhere".to_owned()),
        }
    }
}

/// One in five nights is good from end to end; the others have one to three events, in all no more
/// than two in five of the lights.
pub fn faults(
    dice: &mut Dice,
    count: usize,
    seeing: f64,
    size: (usize, usize),
) -> Vec<Option<Spoiled>> {
    let mut faults: Vec<Option<Spoiled>> = vec![None; count];
    if dice.chance(0.2) {
        return faults;
    }
    let mut left = 2 * count / 5;
    for _ in 0..1 + dice.below(3) {
        let reason = dice.one_of(&[
            SetAside::Trailed,
            SetAside::Clouds,
            SetAside::Defocused,
            SetAside::BrightSky,
            SetAside::FewStars,
            SetAside::OffTarget,
        ]);
        // Clouds come in rows, guiding fails once.
        let most = match reason {
            SetAside::Clouds | SetAside::FewStars => 6,
            SetAside::Defocused | SetAside::BrightSky => 4,
            SetAside::Trailed | SetAside::OffTarget => 2,
        };
        let length = (1 + dice.below(most)).min(left);
        left -= length;
        let from = dice.below(count - length + 1);
        for fault in &mut faults[from..from + length] {
            if fault.is_none() {
                let kind = kind(dice, reason, seeing, size);
                *fault = Some(Spoiled {
                    reason: Some(reason),
                    kind,
                });
            }
        }
    }
    faults
}

/// A cloud that takes 33 to 50 % of the light for five to nine lights, with a soft edge or a sharp one. It
/// has dice of its own, so that the night is otherwise the same without it.
pub fn pass(number: u64, faults: &mut [Option<Spoiled>]) {
    if faults.len() < 16 {
        return;
    }
    let mut dice = Dice::new(number.wrapping_mul(7_919));
    let length = 5 + dice.below(5.min(faults.len() / 3 - 4));
    let from = dice.below(faults.len() - length + 1);
    let through = dice.between(0.5, 0.67);
    let is_soft = dice.chance(0.5);
    for (at, fault) in faults[from..from + length].iter_mut().enumerate() {
        let is_edge = is_soft && (at == 0 || at == length - 1);
        let through = if is_edge {
            through.sqrt()
        } else {
            through * dice.between(0.97, 1.03)
        };
        if fault.is_none() {
            *fault = Some(Spoiled {
                reason: (!is_edge).then_some(SetAside::Clouds),
                kind: Kind::As(Fault::Clouds(through)),
            });
        }
    }
}

/// Bad enough that nobody would keep it.
fn kind(dice: &mut Dice, reason: SetAside, seeing: f64, (width, height): (usize, usize)) -> Kind {
    let along = |dice: &mut Dice, length: f64| {
        let angle = dice.between(0.0, std::f64::consts::TAU);
        [length * angle.cos(), length * angle.sin()]
    };
    Kind::As(match reason {
        SetAside::Trailed if dice.chance(0.5) => {
            let length = seeing * dice.between(2.5, 6.0);
            Fault::Streaked(along(dice, length))
        }
        SetAside::Trailed => {
            let length = seeing * dice.between(1.5, 6.0);
            Fault::Doubled(along(dice, length))
        }
        SetAside::Clouds => Fault::Clouds(dice.between(0.03, 0.55)),
        SetAside::Defocused => Fault::Defocused(dice.between(1.65, 3.5)),
        SetAside::BrightSky => Fault::Bright(dice.between(2.8, 10.0)),
        SetAside::FewStars => Fault::Blocked(dice.between(0.65, 1.0)),
        SetAside::OffTarget if dice.chance(0.3) => return Kind::Elsewhere,
        SetAside::OffTarget => {
            let part = dice.between(0.15, 0.6);
            let [x, y] = along(dice, part);
            // The longer way along one side is what counts.
            let scale = part / x.abs().max(y.abs());
            Fault::Moved([x * scale * width as f64, y * scale * height as f64])
        }
    })
}
