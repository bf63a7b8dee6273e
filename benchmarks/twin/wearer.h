/* The wearer as a controller of the own force, the force estimator, and what a pulse meets: pad and axons.
 * Models and sources: plant_models/wearer.py, estimator.py, electrode.py, recruitment.py. */
#ifndef TWIN_WEARER_H
#define TWIN_WEARER_H
#include "body.h"

/* ---- own effort, once per wearer tick ---- */

typedef struct {
    double tick_s, relaxed, played_back, sees_target, sees_own_force, unseen_level_N, max_pinch_N, visual_gain_per_s;
    double cue_N_per_s, production_gain, production_offset_N, scatter_share, wander_share, keep_wander, drift_depth;
    double drift_per_s, drift_neutral_N, noise_floor, noise_linear, noise_quadratic, keep_slow, keep_fast;
    double kick_wander, kick_slow, kick_fast, slow_weight, fast_weight;
} wearer_params;

typedef struct { double target_N, factor, correction_N, drift_N, wander, slow, fast; } wearer_state;
typedef struct { double scatter, wander, slow, fast; } wearer_draws;
typedef struct { double target_N, own_force_N, felt[2], recorded_N; } wearer_sensed;

#define NEW_TARGET_N_PER_S 30.0

static inline wearer_state at_rest(double target_N, double slow, double fast) {
    const wearer_state s = {target_N, 1.0, 0.0, 0.0, 0.0, slow, fast};
    return s;
}

/* The drive and its noise for the coming tick; the memory is updated in place. */
static inline void wearer_effort(const wearer_params *p, wearer_state *s, const wearer_sensed *in,
                                 const wearer_draws *z, double *drive, double *noise) {
    const double slow = p->keep_slow * s->slow + p->kick_slow * z->slow;
    const double fast = p->keep_fast * s->fast + p->kick_fast * z->fast;
    const double target_N = p->sees_target == 0.0 ? p->unseen_level_N : in->target_N;
    double produced_N, share;
    *drive = *noise = 0.0;
    if (p->relaxed > 0.0) {
        *s = at_rest(-1.0, slow, fast);
        return;
    }
    if (p->played_back > 0.0) {
        *drive = lesser(1.0, greater(0.0, in->recorded_N / p->max_pinch_N));
        *s = at_rest(in->target_N, slow, fast);
        return;
    }
    if (target_N < 0.0) { /* nothing has been seen yet */
        *s = at_rest(-1.0, slow, fast);
        return;
    }
    if (fabs(target_N - s->target_N) > NEW_TARGET_N_PER_S * p->tick_s) {
        s->factor = greater(0.0, 1.0 + p->scatter_share * z->scatter);
        s->correction_N = s->drift_N = s->wander = 0.0;
    }
    produced_N = greater(0.0, p->production_gain * s->factor * target_N + p->production_offset_N);
    s->correction_N += p->cue_N_per_s * (in->felt[0] - in->felt[1]) * p->tick_s;
    if (p->sees_own_force > 0.0) {
        s->correction_N += p->visual_gain_per_s * (target_N - in->own_force_N) * p->tick_s;
        s->drift_N = s->wander = 0.0;
    }
    s->correction_N = greater(s->correction_N, -produced_N);
    if (p->sees_own_force == 0.0) {
        const double settled_N = -p->drift_depth * (produced_N + s->correction_N - p->drift_neutral_N);
        s->drift_N += (settled_N - s->drift_N) * p->drift_per_s * p->tick_s;
        s->wander = p->keep_wander * s->wander + p->kick_wander * z->wander;
    }
    share = (produced_N + s->correction_N + s->drift_N + p->wander_share * s->wander * produced_N) / p->max_pinch_N;
    share = lesser(1.0, greater(0.0, share));
    *drive = share;
    *noise = (p->noise_floor + p->noise_linear * share + p->noise_quadratic * share * share) *
             (p->slow_weight * slow + p->fast_weight * fast);
    s->target_N = target_N;
    s->slow = slow;
    s->fast = fast;
}

/* ---- the estimator ---- */

enum { KNOTS = 17, FRESH = 0, DROPPED, STUCK };

typedef struct { double noise_floor_N, noise_share, stated_over_true_sd, range_N; } estimator_params;
typedef struct { double true_N[KNOTS], reads_N[KNOTS]; } bias_curve;

static inline double biased_N(const bias_curve *k, double force_N) {
    if (force_N <= k->true_N[0]) return k->reads_N[0];
    for (int i = 1; i < KNOTS; i++) {
        if (force_N < k->true_N[i]) {
            const double share = (force_N - k->true_N[i - 1]) / (k->true_N[i] - k->true_N[i - 1]);
            return k->reads_N[i - 1] + share * (k->reads_N[i] - k->reads_N[i - 1]);
        }
    }
    return k->reads_N[KNOTS - 1];
}

static inline double reading_N(const estimator_params *p, const bias_curve *k, double force_N, double offset_N,
                               double gain, double unit_noise) {
    const double sd_N = p->noise_floor_N + p->noise_share * force_N;
    return lesser(p->range_N, greater(0.0, gain * biased_N(k, force_N) + offset_N + sd_N * unit_noise));
}

/* ---- pad and axons ---- */

typedef struct { double rheobase_mA, chronaxie_us, median_over_motor, spread, sensory_over_motor; } axons;
typedef struct { double series_ohm, parallel_ohm, skin_tau_us, compliance_V; } pad;
typedef struct { axons axons; pad pad; } channel_params;

#define READ_WIDTH_US 500.0
#define HIGHEST_OHM 1e9
#define SQRT_HALF 0.7071067811865476

static inline double load_ohm(const pad *p, double width_us, double contact) {
    const double charging = 1.0 - exp(-width_us / p->skin_tau_us);
    if (contact <= 0.0) return INFINITY;
    return (p->series_ohm + p->parallel_ohm * charging) / contact;
}

static inline double delivered_mA(const pad *p, double current_mA, double width_us, double contact) {
    if (contact <= 0.0) return 0.0;
    return lesser(current_mA, 1e3 * p->compliance_V / load_ohm(p, width_us, contact));
}

static inline double normal_share(double x) { return 0.5 * erfc(-x * SQRT_HALF); }

static inline double motor_mA(const axons *a, double width_us) {
    return a->rheobase_mA * (1.0 + a->chronaxie_us / width_us);
}

static inline double recruited_share(const axons *a, double current_mA, double width_us) {
    double relative;
    if (current_mA <= 0.0 || width_us <= 0.0) return 0.0;
    relative = current_mA / (motor_mA(a, width_us) * a->median_over_motor);
    return relative <= 0.0 ? 0.0 : normal_share(log(relative) / a->spread);
}

static inline double felt_share(const axons *a, double current_mA, double width_us) {
    if (current_mA <= 0.0 || width_us <= 0.0) return 0.0;
    return lesser(1.0, greater(0.0, (current_mA / motor_mA(a, width_us) - a->sensory_over_motor) /
                                        (1.0 - a->sensory_over_motor)));
}
#endif
