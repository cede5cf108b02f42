/* What saturated planes lack, pixel by pixel; see panopipe/studies/clipped/rebuild.py. */
#ifndef PANOPIPE_REBUILD_H
#define PANOPIPE_REBUILD_H

#include "precise.h"

#define MANY 64 /* pixels rebuilt at a time */

INLINE double lower(double a, double b) { return a < b ? a : b; }
INLINE double higher(double a, double b) { return a > b ? a : b; }

INLINE double smooth_step(double value, double low, double scale)
{
    double place = lower(higher((value - low) * scale, 0), 1);
    return place * place * (3 - 2 * place);
}

/* In the order of `band.CONSTANTS`. */
typedef struct {
    double trusted, saturated, whitens_from, darkest, tint_weight, warmth_weight, level_weight, sided, tint_off;
} Constants;

typedef struct {
    double neutral[3], a, highest, log_highest;
    Constants constants;
} Lights;

/* Logarithms of the three planes: the normal equations by Cramer's rule. */
INLINE void least_squares(const double *balanced, const double *trusted, double warmth, double tint,
                          const Lights *lights, double *logs)
{
    const Constants *constants = &lights->constants;
    double a = lights->a, b = 1 - a, level = constants->level_weight;
    double lost[3], side[3];
    for (int k = 0; k < 3; k++) {
        lost[k] = 1 - trusted[k];
        side[k] = trusted[k] * log_of(higher(balanced[k], constants->darkest)) + level * lights->log_highest;
    }
    double colour = trusted[0] + trusted[1] + trusted[2];
    double pairs = lost[0] * lost[1] + lost[1] * lost[2] + lost[2] * lost[0];
    double by_tint = constants->tint_weight * colour, by_warmth = constants->warmth_weight * colour * pairs;
    double m_rr = (trusted[0] + level) + by_tint * (a * a) + by_warmth;
    double m_gg = (trusted[1] + level) + by_tint;
    double m_bb = (trusted[2] + level) + by_tint * (b * b) + by_warmth;
    double m_rg = -a * by_tint, m_gb = -b * by_tint, m_rb = (a * b) * by_tint - by_warmth;
    double s_r = side[0] - a * by_tint * tint + by_warmth * warmth;
    double s_g = side[1] + by_tint * tint;
    double s_b = side[2] - b * by_tint * tint - by_warmth * warmth;
    double c_rr = m_gg * m_bb - m_gb * m_gb, c_gg = m_rr * m_bb - m_rb * m_rb;
    double c_bb = m_rr * m_gg - m_rg * m_rg, c_rg = m_gb * m_rb - m_rg * m_bb;
    double c_rb = m_rg * m_gb - m_gg * m_rb, c_gb = m_rg * m_rb - m_rr * m_gb;
    double whole = m_rr * c_rr + m_rg * c_rg + m_rb * c_rb;
    logs[0] = (c_rr * s_r + c_rg * s_g + c_rb * s_b) / whole;
    logs[1] = (c_rg * s_r + c_gg * s_g + c_gb * s_b) / whole;
    logs[2] = (c_rb * s_r + c_gb * s_g + c_bb * s_b) / whole;
}

typedef struct {
    double red[MANY], green[MANY], blue[MANY];
} Colours;

INLINE void rebuild(const Colours *RESTRICT shares, const double *RESTRICT warmth,
                    const double *RESTRICT tint, const Lights *lights, Colours *RESTRICT gains)
{
    const Constants constants = lights->constants;
    double saturated = constants.saturated, darkest = constants.darkest, whitens_from = constants.whitens_from;
    double per_trust = 1 / (saturated - constants.trusted), per_white = 1 / (saturated - whitens_from);
    for (int i = 0; i < MANY; i++) {
        double share[3] = {shares->red[i], shares->green[i], shares->blue[i]};
        double trusted[3], lost[3], balanced[3], logs[3], ceiling[3], raised[3];
        for (int k = 0; k < 3; k++) {
            trusted[k] = 1 - smooth_step(share[k], constants.trusted, per_trust);
            lost[k] = 1 - trusted[k];
            balanced[k] = share[k] / lights->neutral[k];
            ceiling[k] = higher(balanced[k], lights->highest);
        }
        least_squares(balanced, trusted, warmth[i], tint[i], lights, logs);
        for (int k = 0; k < 3; k++) {
            double estimate = lower(higher(exp_of(logs[k]), balanced[k]), ceiling[k]);
            double others = k == 0 ? lost[1] * lost[2] : k == 1 ? lost[0] * lost[2] : lost[0] * lost[1];
            double towards = others * smooth_step(share[k], whitens_from, per_white);
            double by_line = lost[k] * (estimate - balanced[k]);
            raised[k] = balanced[k] + higher(by_line, towards * (ceiling[k] - balanced[k]));
        }
        double red = log_of(higher(raised[0], darkest)), blue = log_of(higher(raised[2], darkest));
        double line = exp_of(lights->a * red + (1 - lights->a) * blue + tint[i]);
        raised[1] += lost[1] * higher(lower(line, ceiling[1]) - raised[1], 0);
        gains->red[i] = (raised[0] - balanced[0]) * lights->neutral[0];
        gains->green[i] = (raised[1] - balanced[1]) * lights->neutral[1];
        gains->blue[i] = (raised[2] - balanced[2]) * lights->neutral[2];
    }
}

#endif
