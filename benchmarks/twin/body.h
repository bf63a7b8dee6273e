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
    double per_tau_c, per_tau_fat;
} muscle_params;

typedef struct {
    double surge, calcium, surge_recruited, calcium_recruited, force_N, full_N, A, km, tau1_ms, since_pulse_ms;
} muscle_state;

#define R0_OVER_KM 1.04
#define LONGEST_STEP_MS 5.0
#define LONGEST_ALONE_MS 10.0
#define LONGEST_BENT_MS 2.0
#define NEAR_SHARE 0.05
#define STEP_SHARE 0.7
#define LEAST_SHARE 1e-3
#define QUIET 1e-9
#define EULER 2.718281828459045
#define SHORT_DECAY 0.7

/* exp(-x) for x >= 0 (plant_models/decay.py). */
static inline double decayed(double x) {
    const double t = 0.125 * x, square = t * t;
    const double low = (1.0 - t) + square * (1.0 / 2.0 - t * (1.0 / 6.0));
    const double high = (1.0 / 24.0 - t * (1.0 / 120.0)) + square * (1.0 / 720.0 - t * (1.0 / 5040.0));
    const double eighth = low + (square * square) * high, quarter = eighth * eighth, half = quarter * quarter;
    return x > SHORT_DECAY ? exp(-x) : half * half;
}

static inline void muscle_struck(const muscle_params *p, muscle_state *s, double share) {
    double weight = 1.0;
    if (share < LEAST_SHARE) return;
    if (p->twitch_N == 0.0) weight = 1.0 + (s->km + R0_OVER_KM - 1.0) * decayed(s->since_pulse_ms * p->per_tau_c);
    s->surge += weight;
    s->surge_recruited += weight * share;
    s->since_pulse_ms = 0.0;
}

static inline int muscle_quiet(const muscle_state *s) {
    return s->surge < QUIET && s->calcium < QUIET && s->full_N < QUIET;
}

/* The fatigue after h_ms in which the full force had the integral full_N_ms. */
static inline void muscle_tired(const muscle_params *p, muscle_state *s, double h_ms, double full_N_ms) {
    const double kept = decayed(h_ms * p->per_tau_fat);
    s->A = p->A_rest + (s->A - p->A_rest) * kept + p->alpha_A * full_N_ms;
    s->km = p->km_rest + (s->km - p->km_rest) * kept + p->alpha_Km * full_N_ms;
    s->tau1_ms = p->tau1_rest_ms + (s->tau1_ms - p->tau1_rest_ms) * kept + p->alpha_tau1 * full_N_ms;
}

static inline void muscle_recovered(const muscle_params *p, muscle_state *s, double gap_ms) {
    muscle_tired(p, s, gap_ms, 0.0);
    s->surge = s->calcium = s->surge_recruited = s->calcium_recruited = s->force_N = s->full_N = 0.0;
    s->since_pulse_ms += gap_ms;
}

/* The sub-step that force needs now: short while little calcium is bound and it changes fast. */
static inline double muscle_longest_ms(const muscle_params *p, const muscle_state *s) {
    double change = fabs(s->surge - s->calcium), room = STEP_SHARE * p->tau_c_ms * (s->km + s->calcium);
    return change * LONGEST_STEP_MS < room ? LONGEST_STEP_MS : room / change;
}

/* What moves force and full force at one instant, and the share that is lost per ms. */
typedef struct { double force, full, decline; } pull;

static inline pull muscle_pull(const muscle_params *p, const muscle_state *s, double calcium, double recruited) {
    const double open = s->km + calcium, slowed = s->tau1_ms * open + p->tau2_ms * calcium;
    const double both = 1.0 / (open * slowed), grown = s->A * (slowed * both);
    const pull out = {recruited * grown, calcium * grown, open * open * both};
    return out;
}

/* One sub-step without a pulse: calcium exactly, force by Lobatto IIIA of fourth order, fatigue after it.
 * half_decay is exp(-h / 2 tau_c). Returns the force half-way. */
static inline double muscle_advanced(const muscle_params *p, muscle_state *s, double h_ms, double half_decay) {
    const double half = 0.5 * h_ms, share = half * p->per_tau_c;
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
        const double sixth = h_ms * (1.0 / 6.0), eighth = 0.125 * h_ms, force = s->force_N, full = s->full_N;
        const pull a = muscle_pull(p, s, s->calcium, s->calcium_recruited);
        const pull m = muscle_pull(p, s, calcium_mid, recruited_mid);
        const pull b = muscle_pull(p, s, calcium_end, recruited_end);
        const double middle = 4.0 * m.decline, tilt = middle * eighth;
        const double kept = 1.0 - sixth * (a.decline + middle * (0.5 - eighth * a.decline));
        const double per = 1.0 / (1.0 + sixth * (b.decline + middle * (0.5 + eighth * b.decline)));
        const double force_a = a.force - a.decline * force, full_a = a.full - a.decline * full;
        const double force_pull = sixth * (a.force + b.force + 4.0 * m.force - tilt * (a.force - b.force));
        const double full_pull = sixth * (a.full + b.full + 4.0 * m.full - tilt * (a.full - b.full));
        const double force_end = (force * kept + force_pull) * per, full_end = (full * kept + full_pull) * per;
        const double force_b = b.force - b.decline * force_end, full_b = b.full - b.decline * full_end;
        force_mid = 0.5 * (force + force_end) + eighth * (force_a - force_b);
        s->force_N = force_end;
        s->full_N = full_end;
        muscle_tired(p, s, h_ms, h_ms * (0.5 * (full + full_end) + h_ms * (1.0 / 12.0) * (full_a - full_b)));
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
    const double flow = DEVELOP_PER_S * lesser(wanted - active, resting), fatigued = 1.0 - active - resting;
    const shares d = {flow - p->fatigue_per_s * active, -flow + recovery * fatigued};
    return d;
}

/* One sub-step in which all or more is wanted that there is. Returns the active share half-way. */
static inline double short_of_rest(const voluntary_params *p, voluntary_state *s, double wanted, double recovery,
                                   double h_s) {
    const double half = 0.5 * h_s, sixth = h_s * (1.0 / 6.0), active = s->active, resting = s->resting;
    const shares a = shares_slope(p, active, resting, wanted, recovery);
    const shares b = shares_slope(p, active + half * a.active, resting + half * a.resting, wanted, recovery);
    const shares c = shares_slope(p, active + half * b.active, resting + half * b.resting, wanted, recovery);
    const shares d = shares_slope(p, active + h_s * c.active, resting + h_s * c.resting, wanted, recovery);
    s->active = active + sixth * (a.active + 2.0 * (b.active + c.active) + d.active);
    s->resting = resting + sixth * (a.resting + 2.0 * (b.resting + c.resting) + d.resting);
    s->fatigued = 1.0 - s->active - s->resting;
    return 0.5 * (active + s->active) + 0.125 * h_s * (a.active - d.active);
}

/* One sub-step of a constant wanted share. Returns the active share half-way. */
static inline double shares_advanced(const voluntary_params *p, voluntary_state *s, double wanted, double h_s) {
    const double recovery = wanted <= 0.0 ? p->recovery_per_s * p->rest_multiplier : p->recovery_per_s;
    const double active = s->active, rate = RELAX_PER_S + p->fatigue_per_s, z = rate * h_s, y = recovery * h_s;
    const double moved = (RELAX_PER_S * wanted - rate * active) * h_s;
    const double to_end = 1.0 - z * (1.0 / 2.0 - z * (1.0 / 6.0 - z * (1.0 / 24.0)));
    const double to_middle = 1.0 / 2.0 - z * (1.0 / 8.0 - z * (1.0 / 48.0 - z * (1.0 / 384.0)));
    const double on_mean = 1.0 / 2.0 - z * (1.0 / 6.0 - z * (1.0 / 24.0 - z * (1.0 / 120.0)));
    const double recovering = h_s * (1.0 - y * (1.0 / 2.0 - y * (1.0 / 6.0 - y * (1.0 / 24.0))));
    if (p->played_back > 0.0) {
        s->active = wanted;
        s->resting = 1.0 - wanted;
        s->fatigued = 0.0;
        return wanted;
    }
    if (wanted - active > s->resting - p->fatigue_per_s * h_s)
        return short_of_rest(p, s, wanted, recovery, h_s);
    s->fatigued += (p->fatigue_per_s * (active + moved * on_mean) - recovery * s->fatigued) * recovering;
    s->active = active + moved * to_end;
    s->resting = 1.0 - s->active - s->fatigued;
    return active + moved * to_middle;
}

/* ---- the whole body ---- */

typedef struct { double max_pinch_N, lever_ratio, per_max_pinch, per_contact; } hand_params;
typedef struct { muscle_params muscle[2]; voluntary_params voluntary; hand_params hand; } body_params;
typedef struct { muscle_state muscle[2]; voluntary_state voluntary; double force_N; } body_state;
typedef struct { double drive, noise, handling_N; } push;

static inline double pressed_N(const hand_params *hand, double active, const push *u, double agonist_N,
                               double antagonist_N) {
    const double own = lesser(1.0, greater(0.0, active + u->noise));
    const double evoked = lesser(1.0, agonist_N * hand->per_max_pinch);
    const double together = own + evoked * (1.0 - own);
    return greater(0.0, hand->max_pinch_N * together - hand->lever_ratio * antagonist_N + u->handling_N);
}

static inline double longest_sub_step_ms(const body_params *p, const body_state *s, const push *u,
                                         const int quiet[2]) {
    const double active = s->voluntary.active;
    double longest_ms = LONGEST_STEP_MS;
    for (int c = 0; c < 2; c++)
        if (!quiet[c]) longest_ms = lesser(longest_ms, muscle_longest_ms(&p->muscle[c], &s->muscle[c]));
    if (quiet[0] && quiet[1] && fabs(u->drive - active) <= NEAR_SHARE) longest_ms = LONGEST_ALONE_MS;
    return (active + u->noise > 0.0) != (u->drive + u->noise > 0.0) ? lesser(longest_ms, LONGEST_BENT_MS) : longest_ms;
}

/* The body gap_us later, with no pulse in between and the push held. */
static inline void body_advanced(const body_params *p, body_state *s, const push *u, int64_t gap_us) {
    const int quiet[2] = {muscle_quiet(&s->muscle[0]), muscle_quiet(&s->muscle[1])};
    const double gap_ms = (double)gap_us * 1e-3, longest_ms = longest_sub_step_ms(p, s, u, quiet);
    double decay[2] = {0.0, 0.0}, h_ms = gap_ms, pressed, force_N = s->force_N;
    muscle_state agonist = s->muscle[0], antagonist = s->muscle[1];
    voluntary_state own = s->voluntary;
    int64_t count = 1;
    if (gap_ms > longest_ms) {
        count = (int64_t)ceil(gap_ms / longest_ms);
        h_ms = gap_ms / (double)count;
    }
    const double h_s = 1e-3 * h_ms;
    if (quiet[0]) muscle_recovered(&p->muscle[0], &agonist, gap_ms);
    else decay[0] = decayed(0.5 * h_ms * p->muscle[0].per_tau_c);
    if (quiet[1]) muscle_recovered(&p->muscle[1], &antagonist, gap_ms);
    else decay[1] = decayed(0.5 * h_ms * p->muscle[1].per_tau_c);
    /* Exact response of the contact lag to a force that is quadratic over the sub-step. */
    const double lags = h_ms * p->hand.per_contact, per_lag = 1.0 / lags, kept = decayed(lags), on_start = 1.0 - kept;
    const double on_linear = 1.0 - on_start * per_lag, on_square = 1.0 - 2.0 * on_linear * per_lag;
    if (p->voluntary.played_back > 0.0) own.active = u->drive;
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
