/* The interlock in plain C: the same rules as thenar's, written anew from the requirements. Simulator only, no
 * medical device. All numbers are signed 64-bit; the members stand in the order of a vector file's field lists. */
#ifndef INTERLOCK_H
#define INTERLOCK_H
#include <stdint.h>

#define NEVER (-1000000000000000LL)
#define EMPTY 1000000000000000LL
enum { DISARMED, ARMED, STOPPING };
enum { SHORT = 51, RUNS = 64, BUCKETS = 8 };
enum { REQUIREMENTS = 40 }; /* R01 to R40: one bit each in a mask of reasons */

typedef int64_t num;

typedef struct {
    num peak_uA, ceiling_uA, motor_uA, width_min_us, width_max_us, charge_pC, density_charge_pC, period_min_us;
    num rms_uA, density_rms, density_trip, area_mm2, contact_assumed, energy_aJ, power_rms_uA, rectified_pC;
    num compliance_uV, net_per_mille, net_pC, net_trip_pC, slew_uA_per_s, rise_uA, width_slew, width_rise_us;
    num first_step_uA, intensity_slew, intensity_width_us, ramp_us, run_us, on_us, total_pC, ohm_min, ohm_max, jump_percent;
} channel_limits;

typedef struct {
    num period_us, step_uA, interphase_us, faults_in_a_row, valid_us, command_trip_us, tick_min_us, tick_max_us;
    num short_us, long_us, on_gap_us, rest_us, recovery_us, saturated_pulses, session_us, summed_share, pulse_gap_us;
    num changeover_us, screening_clear, contact_window_us, estimate_min, estimate_max, estimate_slope;
    num frozen_us, estimate_ramp_us, estimate_trip_us, implausible_us, soft_mN, hard_mN, rise_mN, force_window_us;
    num heartbeat_ramp_us, heartbeat_trip_us;
} loop_limits;

typedef struct { channel_limits of[2]; loop_limits loop; } limits;

typedef struct { num since_us, bucket[BUCKETS]; } lowest;

typedef struct {
    num current_uA, width_us, period_us, started_us, risen_us, ramp_from_uA, per_mille, saturated;
    num ending_us, ending_from_uA;
    lowest ohms, minus_ohms;
    num bal_total_pC, net_now_pC, net_before_pC, bal_since_us;
    num pulse_us, end_us, run_since_us, spent_pC, saturated_count, hold_until_us, hold_reasons;
    num short_bucket, sum_pC, sum_square, on_us, gone_us, run, oldest_run;
    num top_pC_per_s;
} channel_state;

typedef struct { num since_us, before_us; } run;
typedef struct { num pC[SHORT], square[SHORT]; run of[RUNS]; } slots;

typedef struct {
    num state, trip, trip_us, armed_us, session_us, mark, busy;
    num tick_us, heard_us, faults, ramp_since_us, expires_us;
    num arrived, value_mN, sampled_us, same_since_us, frozen, jumped, bad_since_us;
    lowest lows;
    channel_state of[2];
    slots slot[2];
} memory;

typedef struct { num current_uA, width_us, period_us; } demand;
typedef struct { num fault; demand of[2]; } asked;

typedef struct {
    num mN, known, age_us, count, law, stop, arm, cause;
    struct { num ohm, per_mille; } contact[2];
    struct { num net_pC, cut_short; } balance[2];
} senses;

typedef struct { num admitted_us, expires_us; demand of[2]; num gap_us, seal; } admitted;
typedef struct { num current_uA, width_us, gap_us; } pulse;

num interlock_tick(const limits *l, memory *m, admitted *out, const asked *a, const senses *s, num t_us);
num interlock_gate(const limits *l, memory *m, const admitted *a, num channel, num t_us, pulse *out);
num interlock_gate_of_fixed(const limits *l, memory *m, const admitted *a, num channel, num t_us, pulse *out); /* that nothing can write to */
num interlock_next(const limits *l, const memory *m, const admitted *a, num channel, num t_us);
void interlock_halt(memory *m, admitted *a, num t_us);
#endif
