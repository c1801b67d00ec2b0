//! Calibrated means, mean products, phasors and harmonics of the channels over one window: the one
//! place where what the channels' ways from terminal to count do to a wave is taken back.

use crate::complex::Complex;
use crate::frame::{ACTIVE, NEUTRAL};
use crate::power::{Dc, PowerConfig};
use crate::response::{Responses, integrator_scale, is_plain};
use crate::spectrum::{Complex32, ORDERS, Orders};
use crate::spread::SPREAD;
use crate::window::Window;
use crate::wiring::Weights;

/// The neutral's own sensor.
pub(crate) struct Neutral {
    pub rms: f64,
    pub phasor: Complex,
}

/// Means, mean products, phasors and harmonics in V and A.
pub(crate) struct Moments {
    pub means: [f64; ACTIVE],
    products: [[f64; ACTIVE]; ACTIVE],
    pub phasors: [Complex; ACTIVE],
    orders: Option<Spread>,
    /// Where a sensor measures it.
    pub neutral: Option<Neutral>,
}

/// Harmonics of all channels, the neutral's last.
struct Spread {
    highest: usize,
    channels: [Orders; SPREAD],
}

impl Moments {
    pub(crate) fn new(window: &Window, config: &PowerConfig) -> Self {
        let sums = &window.sums;
        let calibration = &config.calibration;
        let rate_hz = sums.length() / window.duration_s;
        let locked = window.frequency_hz.is_some();
        let mut m = Moments {
            means: [0.0; ACTIVE],
            products: [[0.0; ACTIVE]; ACTIVE],
            phasors: [Complex::ZERO; ACTIVE],
            orders: None,
            neutral: None,
        };
        let mut gains = [0.0; SPREAD];
        for (slot, (gain, c)) in gains.iter_mut().zip(&calibration.channels).enumerate() {
            *gain = c.gain / integrator_scale(calibration, slot, rate_hz);
        }
        let channels = calibration.active();
        // An integrated coil has lost its offset and its DC; what mean is left is no current.
        let coil: [bool; ACTIVE] =
            core::array::from_fn(|slot| calibration.rogowski(slot).is_some());
        for (slot, c) in channels.iter().enumerate() {
            m.means[slot] = (sums.mean(slot) - f64::from(c.offset_counts)) * gains[slot];
            m.phasors[slot] = sums.rms_phasor(slot).scale(gains[slot]);
        }
        for i in 0..ACTIVE {
            for j in i..ACTIVE {
                let (a, b) = (&channels[i], &channels[j]);
                let mut p = sums.mean_product(i, j, a.offset_counts, b.offset_counts)
                    * (gains[i] * gains[j]);
                let removed = |slot: usize| {
                    coil[slot] || Dc::Remove == if slot < 3 { config.v_dc } else { config.i_dc }
                };
                if removed(i) || removed(j) {
                    p -= m.means[i] * m.means[j];
                }
                m.products[i][j] = p;
                m.products[j][i] = p;
            }
        }
        for (mean, _) in m.means.iter_mut().zip(coil).filter(|(_, coil)| *coil) {
            *mean = 0.0;
        }
        m.orders = window.spectrum.as_ref().filter(|_| locked).map(|s| {
            let mut channels = s.channels;
            for (slot, orders) in channels.iter_mut().enumerate() {
                for x in orders.iter_mut().take(s.highest + 1) {
                    *x = x.scale(gains[slot] as f32);
                }
                // Both are known more exactly.
                if let (Some(mean), Some(phasor)) = (m.means.get(slot), m.phasors.get(slot)) {
                    orders[0] = Complex32::new(*mean as f32, 0.0);
                    orders[1] = Complex32::from(*phasor);
                }
            }
            Spread { highest: s.highest, channels }
        });
        if locked {
            m.refer_to_terminals(window, config, rate_hz);
        }
        m.read_neutral(window, config, gains[NEUTRAL]);
        m
    }

    /// Takes back what the channels' ways do: phasors and harmonics are multiplied by the inverse
    /// of the response at their frequency, RMS and mean products move by what that changes.
    ///
    /// What lies between the harmonics or above the highest stays as it was measured.
    fn refer_to_terminals(&mut self, window: &Window, config: &PowerConfig, rate_hz: f64) {
        let calibration = &config.calibration;
        let mut plain = [true; SPREAD];
        for (slot, plain) in plain.iter_mut().enumerate() {
            let unused = slot == NEUTRAL && !config.measures_neutral();
            *plain = unused || is_plain(calibration, slot);
        }
        if plain.iter().all(|p| *p) {
            return;
        }
        let responses = Responses::new(calibration, rate_hz, window.reference_hz);
        let measured = self.phasors;
        let measured_orders = self.orders.as_ref().map(|o| o.channels);
        if let Some(o) = &mut self.orders {
            o.highest = o.highest.min(responses.orders());
        }
        for (slot, _) in plain.iter().enumerate().filter(|(_, plain)| !**plain) {
            let orders = self
                .orders
                .as_mut()
                .and_then(|o| o.channels.get_mut(slot).map(|orders| (o.highest, orders)));
            let rms = match self.products.get(slot).and_then(|row| row.get(slot)) {
                Some(square) => libm::sqrt(square.max(0.0)),
                None => orders.as_ref().map_or(0.0, |(_, o)| libm::sqrt(f64::from(o[1].norm_sq()))),
            };
            let undo = responses.fundamental(slot, rms);
            if let Some(x) = self.phasors.get_mut(slot) {
                *x = *x * undo;
            }
            if let Some((highest, orders)) = orders {
                orders[1] = orders[1] * Complex32::from(undo);
                let undo = responses.harmonics(slot, rms);
                for (x, undo) in orders.iter_mut().take(highest + 1).skip(2).zip(undo) {
                    *x = *x * Complex32::from(undo);
                }
            }
        }
        let phasors = self.phasors;
        let moving = || phasors.iter().zip(&measured).zip(&plain).enumerate();
        for (i, ((now_i, before_i), plain_i)) in moving() {
            for (j, ((now_j, before_j), plain_j)) in moving().skip(i) {
                if *plain_i && *plain_j {
                    continue;
                }
                let (now, before) = (*now_i * now_j.conj(), *before_i * before_j.conj());
                let mut moved = now.re - before.re;
                if let (Some(now), Some(before)) = (&self.orders, &measured_orders)
                    && let (Some(now_i), Some(now_j)) = (now.channels.get(i), now.channels.get(j))
                    && let (Some(before_i), Some(before_j)) = (before.get(i), before.get(j))
                {
                    let mut sum = 0.0f32;
                    let pairs = now_i.iter().zip(now_j);
                    let earlier = before_i.iter().zip(before_j);
                    for ((a, b), (c, d)) in pairs.zip(earlier).take(now.highest + 1).skip(2) {
                        sum += (a.re * b.re + a.im * b.im) - (c.re * d.re + c.im * d.im);
                    }
                    moved += f64::from(sum);
                }
                let moved = self.products.get(i).and_then(|row| row.get(j)).map(|x| x + moved);
                for (a, b) in [(i, j), (j, i)] {
                    let place = self.products.get_mut(a).and_then(|row| row.get_mut(b));
                    if let (Some(place), Some(moved)) = (place, moved) {
                        *place = moved;
                    }
                }
            }
        }
    }

    fn read_neutral(&mut self, window: &Window, config: &PowerConfig, gain: f64) {
        let Some(sums) = window.neutral.filter(|_| config.measures_neutral()) else {
            return;
        };
        let Some(offset) = config.calibration.channels.get(NEUTRAL).map(|c| c.offset_counts) else {
            return;
        };
        let length = window.sums.length_q16;
        let mean = (sums.sum_q16 as f64 / length as f64 - f64::from(offset)) * gain;
        let o = i128::from(offset);
        let exact = sums.square_q16 - 2 * o * i128::from(sums.sum_q16) + o * o * i128::from(length);
        let mut square = exact as f64 / length as f64 * (gain * gain);
        if config.i_dc == Dc::Remove || config.calibration.rogowski(NEUTRAL).is_some() {
            square -= mean * mean;
        }
        let mut phasor = Complex::ZERO;
        if let (Some(now), Some(s)) = (&self.orders, &window.spectrum) {
            phasor = now.channels[NEUTRAL][1].into();
            // As for the other channels, here from the harmonics alone.
            let mut moved = 0.0f32;
            let pairs = now.channels[NEUTRAL].iter().zip(&s.channels[NEUTRAL]);
            for (now, before) in pairs.take(now.highest + 1).skip(1) {
                moved += now.norm_sq() - before.scale(gain as f32).norm_sq();
            }
            square += f64::from(moved);
        }
        self.neutral = Some(Neutral { rms: libm::sqrt(square.max(0.0)), phasor });
    }

    /// Highest harmonic order; `None` without harmonics.
    pub(crate) fn highest(&self) -> Option<usize> {
        self.orders.as_ref().map(|o| o.highest)
    }

    /// RMS of what the neutral's sensor reads beyond a weighted sum, over all orders, whichever
    /// way round the sensor is: no reading depends on that.
    pub(crate) fn neutral_beyond(&self, sum: &Weights) -> Option<f64> {
        let (o, sum) = (self.orders.as_ref()?, self.orders(sum));
        let (mut along, mut against) = (0.0f32, 0.0f32);
        for (x, y) in o.channels[NEUTRAL].iter().zip(&sum).take(o.highest + 1).skip(1) {
            along += (*x - *y).norm_sq();
            against += (*x + *y).norm_sq();
        }
        self.neutral.as_ref().map(|_| libm::sqrt(f64::from(along.min(against))))
    }

    /// Harmonics of the neutral's sensor.
    pub(crate) fn neutral_orders(&self) -> Option<&Orders> {
        self.orders.as_ref().map(|o| &o.channels[NEUTRAL])
    }

    /// Harmonics of a weighted sum of channels; zeros where there are none.
    pub(crate) fn orders(&self, w: &Weights) -> Orders {
        let mut sum = [Complex32::ZERO; ORDERS + 1];
        if let Some(o) = &self.orders {
            for (w, orders) in w.iter().zip(&o.channels) {
                if *w != 0.0 {
                    for (sum, x) in sum.iter_mut().zip(orders) {
                        *sum += x.scale(*w as f32);
                    }
                }
            }
        }
        sum
    }

    /// Mean of the product of two weighted sums of channels.
    pub(crate) fn mean_product(&self, a: &Weights, b: &Weights) -> f64 {
        let mut sum = 0.0;
        for (wa, row) in a.iter().zip(&self.products) {
            if *wa == 0.0 {
                continue;
            }
            for (wb, p) in b.iter().zip(row) {
                if *wb != 0.0 {
                    sum += wa * wb * p;
                }
            }
        }
        sum
    }

    pub(crate) fn channel_rms(&self) -> [f64; ACTIVE] {
        let mut rms = [0.0; ACTIVE];
        for (slot, (x, row)) in rms.iter_mut().zip(&self.products).enumerate() {
            *x = libm::sqrt(row.get(slot).copied().unwrap_or_default().max(0.0));
        }
        rms
    }

    pub(crate) fn rms(&self, w: &Weights) -> f64 {
        libm::sqrt(self.mean_product(w, w).max(0.0))
    }

    pub(crate) fn phasor(&self, w: &Weights) -> Complex {
        let mut sum = Complex::ZERO;
        for (w, x) in w.iter().zip(&self.phasors) {
            if *w != 0.0 {
                sum += x.scale(*w);
            }
        }
        sum
    }
}
