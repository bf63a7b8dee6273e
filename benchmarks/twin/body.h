/* The body: two stimulated muscles, voluntary force, hand and fingertip contact. Equations and sources stand in
 * plant_models/muscle.py, voluntary.py and body.py; every expression here keeps their order of arithmetic, so that
 * both round alike. The members of each struct stand in the order of the tuple of the same name. */
#ifndef TWIN_BODY_H
#define TWIN_BODY_H
#include <math.h>
#include <stdint.h>

static inline double lesser(double a, double b) { return b < a ? b : a; }
static inline double greater(double a, double b) { return b > a ? b : a; }

/* ---- one muscle ---- */

typedef struct {
    double tau_c_ms, A_rest, km_rest, tau1_rest_ms, tau2_ms, alpha_A, alpha_Km, alpha_tau1, tau_fat_ms, twitch_N;
} muscle_params;

typedef struct {
    double surge, calcium, surge_recruited, calcium_recruited, force_N, full_N, A, km, tau1_ms, since_pulse_ms;
} muscle_state;

#define R0_OVER_KM 1.04
#define LONGEST_STEP_MS 4.0
#define STEP_SHARE 0.7
#define LEAST_SHARE 1e-3
#define QUIET 1e-9
#define EULER 2.718281828459045

static inline void muscle_struck(const muscle_params *p, muscle_state *s, double share) {
    double weight = 1.0;
    if (share < LEAST_SHARE) return;
    if (p->twitch_N == 0.0) weight = 1.0 + (s->km + R0_OVER_KM - 1.0) * exp(-s->since_pulse_ms / p->tau_c_ms);
    s->surge += weight;
    s->surge_recruited += weight * share;
    s->since_pulse_ms = 0.0;
}

static inline int muscle_quiet(const muscle_state *s) {
    return s->surge < QUIET && s->calcium < QUIET && s->full_N < QUIET;
}

static inline void muscle_recovered(const muscle_params *p, muscle_state *s, double gap_ms) {
    double kept = exp(-gap_ms / p->tau_fat_ms);
    s->surge = s->calcium = s->surge_recruited = s->calcium_recruited = s->force_N = s->full_N = 0.0;
    s->A = p->A_rest + (s->A - p->A_rest) * kept;
    s->km = p->km_rest + (s->km - p->km_rest) * kept;
    s->tau1_ms = p->tau1_rest_ms + (s->tau1_ms - p->tau1_rest_ms) * kept;
    s->since_pulse_ms += gap_ms;
}

/* The sub-step that force needs now: short while little calcium is bound and it changes fast. */
static inline double muscle_longest_ms(const muscle_params *p, const muscle_state *s) {
    double change = fabs(s->surge - s->calcium), room = STEP_SHARE * p->tau_c_ms * (s->km + s->calcium);
    return change * LONGEST_STEP_MS < room ? LONGEST_STEP_MS : room / change;
}

typedef struct { double force, full, A, km, tau1; } slope;

static inline slope muscle_slope(const muscle_params *p, double calcium, double recruited, double force, double full,
                                 double A, double km, double tau1) {
    double gain = 1.0 / (km + calcium), bound = calcium * gain;
    double decline = 1.0 / (tau1 + p->tau2_ms * bound), recovery = 1.0 / p->tau_fat_ms;
    slope d;
    d.force = A * recruited * gain - force * decline;
    d.full = A * bound - full * decline;
    d.A = (p->A_rest - A) * recovery + p->alpha_A * full;
    d.km = (p->km_rest - km) * recovery + p->alpha_Km * full;
    d.tau1 = (p->tau1_rest_ms - tau1) * recovery + p->alpha_tau1 * full;
    return d;
}

static inline slope muscle_stage(const muscle_params *p, const muscle_state *s, double calcium, double recruited,
                                 const slope *d, double h) {
    return muscle_slope(p, calcium, recruited, s->force_N + h * d->force, s->full_N + h * d->full, s->A + h * d->A,
                        s->km + h * d->km, s->tau1_ms + h * d->tau1);
}

/* One sub-step without a pulse: calcium exactly, force and fatigue by one Runge-Kutta step of fourth order.
 * half_decay is exp(-h / 2 tau_c). Returns the force half-way. */
static inline double muscle_advanced(const muscle_params *p, muscle_state *s, double h_ms, double half_decay) {
    const double half = 0.5 * h_ms, share = half / p->tau_c_ms;
    const double calcium_mid = (s->calcium + s->surge * share) * half_decay;
    const double surge_mid = s->surge * half_decay;
    const double calcium_end = (calcium_mid + surge_mid * share) * half_decay;
    const double recruited_mid = (s->calcium_recruited + s->surge_recruited * share) * half_decay;
    const double surge_recruited_mid = s->surge_recruited * half_decay;
    const double recruited_end = (recruited_mid + surge_recruited_mid * share) * half_decay;
    double force_mid;
    if (p->twitch_N > 0.0) {
        const double peak = p->twitch_N * EULER;
        force_mid = peak * recruited_mid;
        s->force_N = peak * recruited_end;
        s->full_N = peak * calcium_end;
    } else {
        const double sixth = h_ms / 6.0, start = s->force_N;
        const slope a = muscle_slope(p, s->calcium, s->calcium_recruited, s->force_N, s->full_N, s->A, s->km,
                                     s->tau1_ms);
        const slope b = muscle_stage(p, s, calcium_mid, recruited_mid, &a, half);
        const slope c = muscle_stage(p, s, calcium_mid, recruited_mid, &b, half);
        const slope d = muscle_stage(p, s, calcium_end, recruited_end, &c, h_ms);
        s->force_N += sixth * (a.force + 2.0 * (b.force + c.force) + d.force);
        s->full_N += sixth * (a.full + 2.0 * (b.full + c.full) + d.full);
        s->A += sixth * (a.A + 2.0 * (b.A + c.A) + d.A);
        s->km += sixth * (a.km + 2.0 * (b.km + c.km) + d.km);
        s->tau1_ms += sixth * (a.tau1 + 2.0 * (b.tau1 + c.tau1) + d.tau1);
        force_mid = 0.5 * (start + s->force_N) + 0.125 * h_ms * (a.force - d.force);
    }
    s->surge = surge_mid * half_decay;
    s->calcium = calcium_end;
    s->surge_recruited = surge_recruited_mid * half_decay;
    s->calcium_recruited = recruited_end;
    s->since_pulse_ms += h_ms;
    return force_mid;
}

/* ---- voluntary force ---- */

typedef struct { double fatigue_per_s, recovery_per_s, rest_multiplier, played_back; } voluntary_params;
typedef struct { double active, resting, fatigued; } voluntary_state;

#define DEVELOP_PER_S 10.0
#define RELAX_PER_S 10.0

typedef struct { double active, resting; } shares;

static inline shares shares_slope(const voluntary_params *p, double active, double resting, double wanted,
                                  double recovery) {
    const double flow = active >= wanted ? RELAX_PER_S * (wanted - active)
                                         : DEVELOP_PER_S * lesser(wanted - active, resting);
    const double fatigued = 1.0 - active - resting;
    const shares d = {flow - p->fatigue_per_s * active, -flow + recovery * fatigued};
    return d;
}

/* One sub-step of a constant wanted share. Returns the active share half-way. */
static inline double shares_advanced(const voluntary_params *p, voluntary_state *s, double wanted, double h_s) {
    const double half = 0.5 * h_s, sixth = h_s / 6.0, active = s->active, resting = s->resting;
    const double recovery = wanted <= 0.0 ? p->recovery_per_s * p->rest_multiplier : p->recovery_per_s;
    shares a, b, c, d;
    if (p->played_back > 0.0) {
        s->active = wanted;
        s->resting = 1.0 - wanted;
        s->fatigued = 0.0;
        return wanted;
    }
    a = shares_slope(p, active, resting, wanted, recovery);
    b = shares_slope(p, active + half * a.active, resting + half * a.resting, wanted, recovery);
    c = shares_slope(p, active + half * b.active, resting + half * b.resting, wanted, recovery);
    d = shares_slope(p, active + h_s * c.active, resting + h_s * c.resting, wanted, recovery);
    s->active = active + sixth * (a.active + 2.0 * (b.active + c.active) + d.active);
    s->resting = resting + sixth * (a.resting + 2.0 * (b.resting + c.resting) + d.resting);
    s->fatigued = 1.0 - s->active - s->resting;
    return 0.5 * (active + s->active) + 0.125 * h_s * (a.active - d.active);
}

/* ---- the whole body ---- */

typedef struct { double max_pinch_N, lever_ratio, contact_ms; } hand_params;
typedef struct { muscle_params muscle[2]; voluntary_params voluntary; hand_params hand; } body_params;
typedef struct { muscle_state muscle[2]; voluntary_state voluntary; double force_N; } body_state;
typedef struct { double drive, noise, handling_N; } push;

static inline double pressed_N(const hand_params *hand, double active, const push *u, double agonist_N,
                               double antagonist_N) {
    const double own = lesser(1.0, greater(0.0, active + u->noise));
    const double evoked = lesser(1.0, agonist_N / hand->max_pinch_N);
    const double together = own + evoked * (1.0 - own);
    return greater(0.0, hand->max_pinch_N * together - hand->lever_ratio * antagonist_N + u->handling_N);
}

/* The body gap_us later, with no pulse in between and the push held. */
static inline void body_advanced(const body_params *p, body_state *s, const push *u, int64_t gap_us) {
    const double gap_ms = (double)gap_us * 1e-3;
    const int quiet[2] = {muscle_quiet(&s->muscle[0]), muscle_quiet(&s->muscle[1])};
    double decay[2] = {0.0, 0.0}, longest_ms = LONGEST_STEP_MS, pressed, force_N = s->force_N;
    muscle_state agonist = s->muscle[0], antagonist = s->muscle[1];
    voluntary_state own = s->voluntary;
    if (!quiet[0]) longest_ms = lesser(longest_ms, muscle_longest_ms(&p->muscle[0], &agonist));
    if (!quiet[1]) longest_ms = lesser(longest_ms, muscle_longest_ms(&p->muscle[1], &antagonist));
    const int64_t count = (int64_t)ceil(gap_ms / longest_ms);
    const double h_ms = gap_ms / (double)count, h_s = 1e-3 * h_ms;
    if (quiet[0]) muscle_recovered(&p->muscle[0], &agonist, gap_ms);
    else decay[0] = exp(-0.5 * h_ms / p->muscle[0].tau_c_ms);
    if (quiet[1]) muscle_recovered(&p->muscle[1], &antagonist, gap_ms);
    else decay[1] = exp(-0.5 * h_ms / p->muscle[1].tau_c_ms);
    /* Exact response of the contact lag to a force that is quadratic over the sub-step. */
    const double lags = h_ms / p->hand.contact_ms, kept = exp(-lags), on_start = 1.0 - kept;
    const double on_linear = 1.0 - on_start / lags, on_square = 1.0 - 2.0 * on_linear / lags;
    pressed = pressed_N(&p->hand, own.active, u, agonist.force_N, antagonist.force_N);
    for (int64_t i = 0; i < count; i++) {
        double agonist_mid = 0.0, antagonist_mid = 0.0;
        if (!quiet[0]) agonist_mid = muscle_advanced(&p->muscle[0], &agonist, h_ms, decay[0]);
        if (!quiet[1]) antagonist_mid = muscle_advanced(&p->muscle[1], &antagonist, h_ms, decay[1]);
        const double active_mid = shares_advanced(&p->voluntary, &own, u->drive, h_s);
        const double middle = pressed_N(&p->hand, active_mid, u, agonist_mid, antagonist_mid);
        const double end = pressed_N(&p->hand, own.active, u, agonist.force_N, antagonist.force_N);
        const double linear = 4.0 * middle - 3.0 * pressed - end, square = 2.0 * (pressed - 2.0 * middle + end);
        force_N = force_N * kept + pressed * on_start + linear * on_linear + square * on_square;
        pressed = end;
    }
    s->muscle[0] = agonist;
    s->muscle[1] = antagonist;
    s->voluntary = own;
    s->force_N = greater(0.0, force_N);
}
#endif
