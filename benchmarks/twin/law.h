/* The two built-in laws and the edge behind them, where floats become the interlock's integers.
 * controller/proportional.py, bang_bang.py, pulses.py, curve.py; safety/edge.py. */
#ifndef TWIN_LAW_H
#define TWIN_LAW_H
#include "interlock.h"
#include "wearer.h"

enum { NO_LAW = 0, PROPORTIONAL, BANG_BANG };

typedef struct { double current_mA, width_us, rate_Hz; } stimulus;
typedef struct { double start_mA, start_share, half_mA, spread; } growth;
typedef struct {
    double ceiling_mA, calibrated_width_us, per_chronaxie_us, on_width, width_us, set_current_mA, rate_Hz;
} pulse_plan;

typedef struct {
    double deadband_N, gain, by_share;
    struct { growth growth; pulse_plan pulses; } of[2];
} proportional_params;

typedef struct { double deadband_N, hysteresis_N, dwell_us; stimulus level[2]; } bang_bang_params;
typedef struct { int64_t state, free_at_us; } bang_bang_memory;

static const stimulus REST = {0.0, 0.0, 0.0};

/* ---- the inverse of the recruitment curve ---- */

/* Wichura's AS 241 (controller/curve.py): the highest power comes first. */
static inline double quotient(const double above[8], const double below[8], double r) {
    double a = above[0], b = below[0];
    for (int i = 1; i < 8; i++) {
        a = a * r + above[i];
        b = b * r + below[i];
    }
    return a / b;
}

static inline double normal_quantile(double share) {
    static const double near[2][8] = {
        {2509.0809287301226727, 33430.575583588128105, 67265.770927008700853, 45921.953931549871457,
         13731.693765509461125, 1971.5909503065514427, 133.14166789178437745, 3.3871328727963666080},
        {5226.4952788528545610, 28729.085735721942674, 39307.895800092710610, 21213.794301586595867,
         5394.1960214247511077, 687.18700749205790830, 42.313330701600911252, 1.0}};
    static const double outside[2][8] = {
        {7.74545014278341407640e-4, 0.0227238449892691845833, 0.241780725177450611770, 1.27045825245236838258,
         3.64784832476320460504, 5.76949722146069140550, 4.63033784615654529590, 1.42343711074968357734},
        {1.05075007164441684324e-9, 5.47593808499534494600e-4, 0.0151986665636164571966, 0.148103976427480074590,
         0.689767334985100004550, 1.67638483018380384940, 2.05319162663775882187, 1.0}};
    static const double far[2][8] = {
        {2.01033439929228813265e-7, 2.71155556874348757815e-5, 0.00124266094738807843860, 0.0265321895265761230930,
         0.296560571828504891230, 1.78482653991729133580, 5.46378491116411436990, 6.65790464350110377720},
        {2.04426310338993978564e-15, 1.42151175831644588870e-7, 1.84631831751005468180e-5, 7.86869131145613259100e-4,
         0.0148753612908506148525, 0.136929880922735805310, 0.599832206555887937690, 1.0}};
    const double off = share - 0.5;
    double r, x;
    if (fabs(off) <= 0.425) return off * quotient(near[0], near[1], 0.180625 - off * off);
    r = sqrt(-log(greater(off < 0.0 ? share : 1.0 - share, 1e-300)));
    x = r <= 5.0 ? quotient(outside[0], outside[1], r - 1.6) : quotient(far[0], far[1], r - 5.0);
    return off < 0.0 ? -x : x;
}

static inline double current_for_share(double share, double half_mA, double spread) {
    if (share <= 0.0) return 0.0;
    if (share >= 1.0) return INFINITY;
    if (isnan(share)) return NAN;
    return half_mA * exp(spread * normal_quantile(share));
}

/* ---- from a wanted effect to pulses ---- */

static inline stimulus bounded_pulses(const pulse_plan *p, double current_mA, double width_us) {
    const double current = lesser(current_mA, p->ceiling_mA), charge_nC = p->ceiling_mA * p->calibrated_width_us;
    stimulus out = {current, width_us, p->rate_Hz};
    if (!(current > 0.0 && width_us > 0.0 && p->rate_Hz > 0.0)) return REST;
    if (current * width_us > charge_nC) {
        if (p->on_width > 0.0) out.width_us = charge_nC / current;
        else out.current_mA = charge_nC / width_us;
    }
    return out;
}

static inline stimulus stimulus_for(const pulse_plan *p, double calibrated_mA) {
    const double wanted = lesser(calibrated_mA, p->ceiling_mA), w0 = p->calibrated_width_us;
    if (!(wanted > 0.0)) return REST;
    if (p->on_width > 0.0) {
        const double current = lesser(p->set_current_mA, p->ceiling_mA);
        const double left = current + (current - wanted) * w0 * p->per_chronaxie_us;
        return bounded_pulses(p, current, left <= 0.0 ? INFINITY : wanted * w0 / left);
    } else {
        const double own = 1.0 + p->width_us * p->per_chronaxie_us, calibrated = 1.0 + w0 * p->per_chronaxie_us;
        return bounded_pulses(p, wanted * (w0 / p->width_us) * (own / calibrated), p->width_us);
    }
}

/* ---- the laws: what both channels should do until the next control tick ---- */

static inline void proportional(const proportional_params *p, double target_N, double estimate_N, stimulus out[2]) {
    const double error_N = target_N - estimate_N, beyond_N = fabs(error_N) - p->deadband_N;
    const int c = error_N > 0.0 ? 0 : 1;
    const growth *g = &p->of[c].growth;
    out[0] = out[1] = REST;
    if (!(isfinite(error_N) && beyond_N > 0.0)) return;
    out[c] = stimulus_for(&p->of[c].pulses, p->by_share > 0.0 ? current_for_share(g->start_share + p->gain * beyond_N,
                                                                                  g->half_mA, g->spread)
                                                              : g->start_mA + p->gain * beyond_N);
}

enum { RESTS = 0, PUSHES, PULLS };

static inline int64_t bang_bang_state(const bang_bang_params *p, int64_t state, double error_N) {
    const double inner_N = p->deadband_N - p->hysteresis_N;
    if (state == PUSHES && error_N >= inner_N) return PUSHES;
    if (state == PULLS && error_N <= -inner_N) return PULLS;
    return error_N > p->deadband_N ? PUSHES : error_N < -p->deadband_N ? PULLS : RESTS;
}

static inline void bang_bang(const bang_bang_params *p, bang_bang_memory *m, int64_t t_us, double target_N,
                             double estimate_N, stimulus out[2]) {
    const double error_N = target_N - estimate_N;
    int64_t state = m->state;
    if (!isfinite(error_N)) state = RESTS;
    else if (t_us >= m->free_at_us) state = bang_bang_state(p, state, error_N);
    if (state != m->state) m->free_at_us = t_us + (int64_t)p->dwell_us;
    m->state = state;
    out[0] = state == PUSHES ? p->level[0] : REST;
    out[1] = state == PULLS ? p->level[1] : REST;
}

/* ---- the edge: currents to the nearest uA, widths toward zero, rates to the longer period; -1 out of range ---- */

static inline num whole_uA(double current_mA) {
    const double scaled = current_mA * 1000.0 + 0.5;
    return 0.0 <= scaled && scaled < 1000001.0 ? (num)floor(scaled) : -1;
}

static inline num whole_width_us(double width_us) {
    return -1.0 < width_us && width_us < 10001.0 ? (num)width_us : -1;
}

static inline num whole_period_us(double rate_Hz) {
    if (rate_Hz == 0.0) return 0;
    return 0.1 <= rate_Hz && rate_Hz <= 1000.0 ? (num)ceil(1000000.0 / rate_Hz) : -1;
}

static inline asked at_edge(const stimulus wish[2]) {
    const asked unusable = {1, {{0, 0, 0}, {0, 0, 0}}};
    asked a;
    a.fault = 0;
    for (int c = 0; c < 2; c++) {
        a.of[c].current_uA = whole_uA(wish[c].current_mA);
        a.of[c].width_us = whole_width_us(wish[c].width_us);
        a.of[c].period_us = whole_period_us(wish[c].rate_Hz);
        if (a.of[c].current_uA < 0 || a.of[c].width_us < 0 || a.of[c].period_us < 0) return unusable;
    }
    return a;
}

static inline num whole_mN(double estimate_N) { /* of a known estimate */
    return (num)floor(lesser(greater(estimate_N, -1000000.0), 1000000.0) * 1000.0 + 0.5);
}
#endif
