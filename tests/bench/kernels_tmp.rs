use dawnledger::combine::{combine, Exposures};
use dawnledger::facts::{Combining, InputCount};
fn main() {
    let width = 6248*8; let count: usize = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(40);
    let mut s = 88172645463325252u64;
    let mut next = move || { s ^= s << 13; s ^= s >> 7; s ^= s << 17; s };
    let data: Vec<Vec<u16>> = (0..count).map(|_| (0..width).map(|_| {
        let mut z = 0i64; for _ in 0..3 { let w = next(); for k in 0..4 { z += ((w >> (16*k)) & 0xffff) as i64; } }
        let z = (z as f64 - 12.0*32767.5)/65536.0;
        if next() % 10000 == 0 { 20000 } else { (500.0 + 6.0*z) as u16 } }).collect()).collect();
    let floats: Vec<Vec<f32>> = data.iter().map(|r| r.iter().map(|&x| x as f32 / 500.0).collect()).collect();
    let sl: Vec<&[u16]> = data.iter().map(|v| &v[..]).collect();
    let fl: Vec<&[f32]> = floats.iter().map(|v| &v[..]).collect();
    let sensor = dawnledger::facts::SensorNoise{read_noise_adu: 6.0, electrons_per_adu: 1.0, pedestal: dawnledger::facts::Pedestal::Level(500.0)};
    for m in [Combining::Mean, Combining::Median, Combining::SigmaClip{low:4.0,high:3.0,iterations:5,median_centre:true},
      Combining::Winsorized{low:4.0,high:3.0}, Combining::GeneralizedEsd{alpha:0.05,max_outliers:5}, Combining::Trimmed{low:1,high:1}, Combining::NoiseModel{low:4.0,high:3.0,sensor}] {
        let mut out = vec![0f32; width]; let mut r = vec![InputCount::default(); count];
        let time = |e: Exposures, out: &mut [f32], r: &mut [InputCount]| { let mut best = f64::MAX; for _ in 0..9 { let t = std::time::Instant::now(); combine(&m, e, 65535.0, out, r); best = best.min(t.elapsed().as_secs_f64()); } best*1e9/width as f64 };
        let a = time(Exposures::U16(&sl), &mut out, &mut r);
        let b = time(Exposures::F32(&fl), &mut out, &mut r);
        let levels = vec![[500.0;2]; count];
        let c = time(Exposures::Scaled{samples:&fl, levels:&levels}, &mut out, &mut r);
        println!("{m}: u16 {a:.1} ns/px -> {:.2} s for 26 Mpx on 2 cores; f32 {b:.1}; scaled {c:.1}", a*26.09e6/2e9);
    }
}
