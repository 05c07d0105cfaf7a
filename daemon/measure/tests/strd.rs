//! NIST StRD, univariate sets with their certified mean, standard deviation and first autocorrelation: data in the public
//! domain (Lew.dat, Lottery.dat, Mavro.dat, PiDigits.dat of the Statistical Reference Datasets). The remaining sets stand
//! beside the statistics themselves.
//!
//! PiDigits.dat is pi but for one digit, so its digits are computed and that one is put in, rather than 5000 of them kept: the
//! 957th is 3 as public copies of the file have it, and 8 in pi. With the 3 all certified values come out; with pi's own digit
//! the mean would be 4.5358.

use tapewright_measure::statistics::{first_autocorrelation, moments};

const LEW: &str = "
-213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579 -52 99 -543 -175
162 -457 -346 204 -300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374 201 -236 -531 83 27 -564 -112 131
-507 -254 199 -311 -495 143 -46 -579 -90 136 -472 -338 202 -287 -477 169 -124 -568 17 48 -568 -135 162 -430
-422 172 -74 -577 -13 92 -534 -243 194 -355 -465 156 -81 -578 -64 139 -449 -384 193 -198 -538 110 -44 -577
-6 66 -552 -164 161 -460 -344 205 -281 -504 134 -28 -576 -118 156 -437 -381 200 -220 -540 83 11 -568 -160
172 -414 -408 188 -125 -572 -32 139 -492 -321 205 -262 -504 142 -83 -574 0 48 -571 -106 137 -501 -266 190
-391 -406 194 -186 -553 83 -13 -577 -49 103 -515 -280 201 300 -506 131 -45 -578 -80 138 -462 -361 201 -211
-554 32 74 -533 -235 187 -372 -442 182 -147 -566 25 68 -535 -244 194 -351 -463 174 -125 -570 15 72 -550
-190 172 -424 -385 198 -218 -536 96";

const LOTTERY: &str = "
162 671 933 414 788 730 817 33 536 875 670 236 473 167 877 980 316 950 456 92 517 557 956 954 104 178 794 278
147 773 437 435 502 610 582 780 689 562 964 791 28 97 848 281 858 538 660 972 671 613 867 448 738 966 139 636
847 659 754 243 122 455 195 968 793 59 730 361 574 522 97 762 431 158 429 414 22 629 788 999 187 215 810 782
47 34 108 986 25 644 829 630 315 567 919 331 207 412 242 607 668 944 749 168 864 442 533 805 372 63 458 777
416 340 436 140 919 350 510 572 905 900 85 389 473 758 444 169 625 692 140 897 672 288 312 860 724 226 884 508
976 741 476 417 831 15 318 432 241 114 799 955 833 358 935 146 630 830 440 642 356 373 271 715 367 393 190 669
8 861 108 795 269 590 326 866 64 523 862 840 219 382 998 4 628 305 747 247 34 747 729 645 856 974 24 568 24
694 608 480 410 729 947 293 53 930 223 203 677 227 62 455 387 318 562 242 428 968";

const MAVRO: &str = "
2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150 2.00170 2.00180 2.00180 2.00190
2.00190 2.00210 2.00200 2.00160 2.00140 2.00130 2.00130 2.00150 2.00150 2.00160 2.00150 2.00140 2.00130 2.00140
2.00150 2.00140 2.00150 2.00160 2.00150 2.00160 2.00190 2.00200 2.00200 2.00210 2.00220 2.00230 2.00240 2.00250
2.00270 2.00260 2.00260 2.00260 2.00270 2.00260 2.00250 2.00240";

fn numbers(text: &str) -> Vec<f64> {
    text.split_whitespace().map(|word| word.parse().expect("a number")).collect()
}

/// The first digits of pi, 3 counted, by a spigot.
fn digits_of_pi(count: usize) -> Vec<f64> {
    let length = 10 * (count + 20) / 3 + 1;
    let mut places = vec![2_u64; length];
    let (mut digits, mut held, mut nines): (Vec<f64>, Option<u64>, usize) = (Vec::new(), None, 0);
    while digits.len() < count {
        let mut carry = 0;
        for i in (1..length).rev() {
            let x = 10 * places[i] + carry * (i as u64 + 1);
            places[i] = x % (2 * i as u64 + 1);
            carry = x / (2 * i as u64 + 1);
        }
        let x = 10 * places[0] + carry;
        places[0] = x % 10;
        let next = x / 10;
        // A 9 may still become a 0 with a carry, and what stands before it be one more.
        if next == 9 {
            nines += 1;
            continue;
        }
        let over = u64::from(next == 10);
        if let Some(before) = held {
            digits.push((before + over) as f64);
        }
        digits.extend(std::iter::repeat_n(if over == 1 { 0.0 } else { 9.0 }, nines));
        nines = 0;
        held = Some(if next == 10 { 0 } else { next });
    }
    digits.truncate(count);
    digits
}

/// The digits of PiDigits.dat.
fn pi_digits() -> Vec<f64> {
    let mut digits = digits_of_pi(5000);
    assert_eq!(std::mem::replace(&mut digits[956], 3.0), 8.0);
    digits
}

/// What of a set's mean, deviation and first autocorrelation is not as certified.
fn contradictions(data: &[f64], certified: [f64; 3], within: f64) -> Vec<String> {
    let m = moments(data).expect("finite");
    let r1 = first_autocorrelation(data).expect("finite");
    let got = [("mean", m.mean), ("deviation", m.standard_deviation), ("r1", r1)];
    let wrong = got.into_iter().zip(certified).filter(|((_, got), want)| ((got - want) / want).abs() > within);
    wrong.map(|((what, got), want)| format!("{what}: {got}, certified {want}")).collect()
}

const PI_DIGITS: [f64; 3] = [4.5348, 2.867_339_060_288_71, -0.003_550_992_872_379_72];

#[test]
fn certified_values_of_observed_data() {
    type Certified = (&'static str, Vec<f64>, usize, [f64; 3], f64);
    let sets: [Certified; 4] = [
        ("Lew", numbers(LEW), 200, [-177.435, 277.332_168_044_316, -0.307_304_800_605_679], 1e-13),
        ("Lottery", numbers(LOTTERY), 218, [518.958_715_596_330, 291.699_727_470_969, -0.120_948_622_967_393], 1e-13),
        // Two in the fifth place: the decimal input costs digits.
        ("Mavro", numbers(MAVRO), 50, [2.001_856, 4.291_234_540_030_53e-4, 0.937_989_183_438_248], 1e-11),
        // The deviations' products nearly cancel: r1 costs two digits.
        ("PiDigits", pi_digits(), 5000, PI_DIGITS, 1e-13),
    ];
    for (name, data, count, certified, within) in sets {
        assert_eq!(data.len(), count, "{name}");
        assert_eq!(contradictions(&data, certified, within), Vec::<String>::new(), "{name}");
    }
}

/// One digit of 5000 is enough to miss every certified value.
#[test]
fn pi_itself_is_not_the_set() {
    let pi = digits_of_pi(5000);
    assert_eq!(&pi[..10], &[3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0, 5.0, 3.0]);
    assert_eq!(contradictions(&pi, PI_DIGITS, 1e-13).len(), 3);
    // Its own values, computed from the digits in whole numbers.
    let own = [4.535_8, 2.867_675_552_187_593, -0.003_802_097_632_115_059];
    assert_eq!(contradictions(&pi, own, 1e-12), Vec::<String>::new());
}
