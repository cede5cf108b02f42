/* See panopipe/clipped/rebuild.py and panopipe/clipped/edge.py. */
#include "precise.h"
#include <math.h>

#define TRUSTED 0.95
#define SATURATED 0.99
#define WHITENS_FROM 0.4
#define DARKEST 1e-4
#define TINT_WEIGHT 0.3
#define WARMTH_WEIGHT 0.15
#define LEVEL_WEIGHT 1e-5
#define MANY 64 /* pixels rebuilt at a time */

INLINE double lower(double a, double b) { return a < b ? a : b; }
INLINE double higher(double a, double b) { return a > b ? a : b; }

INLINE double smooth_step(double value, double low, double scale)
{
    double place = lower(higher((value - low) * scale, 0), 1);
    return place * place * (3 - 2 * place);
}

typedef struct {
    double neutral[3], a, highest, log_highest;
} Lights;

/* Logarithms of the three planes: the normal equations by Cramer's rule. */
INLINE void least_squares(const double *balanced, const double *trusted, double warmth, double tint,
                          const Lights *lights, double *logs)
{
    double a = lights->a, b = 1 - a, level = LEVEL_WEIGHT;
    double lost[3], side[3];
    for (int k = 0; k < 3; k++) {
        lost[k] = 1 - trusted[k];
        side[k] = trusted[k] * log_of(higher(balanced[k], DARKEST)) + level * lights->log_highest;
    }
    double colour = trusted[0] + trusted[1] + trusted[2];
    double pairs = lost[0] * lost[1] + lost[1] * lost[2] + lost[2] * lost[0];
    double by_tint = TINT_WEIGHT * colour, by_warmth = WARMTH_WEIGHT * colour * pairs;
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

INLINE void rebuild(const Colours *RESTRICT shares, const double *RESTRICT warmth, const double *RESTRICT tint,
                    const Lights *lights, Colours *RESTRICT gains)
{
    for (int i = 0; i < MANY; i++) {
        double share[3] = {shares->red[i], shares->green[i], shares->blue[i]};
        double trusted[3], lost[3], balanced[3], logs[3], ceiling[3], raised[3];
        for (int k = 0; k < 3; k++) {
            trusted[k] = 1 - smooth_step(share[k], TRUSTED, 1 / (SATURATED - TRUSTED));
            lost[k] = 1 - trusted[k];
            balanced[k] = share[k] / lights->neutral[k];
            ceiling[k] = higher(balanced[k], lights->highest);
        }
        least_squares(balanced, trusted, warmth[i], tint[i], lights, logs);
        for (int k = 0; k < 3; k++) {
            double estimate = lower(higher(exp_of(logs[k]), balanced[k]), ceiling[k]);
            double others = k == 0 ? lost[1] * lost[2] : k == 1 ? lost[0] * lost[2] : lost[0] * lost[1];
            double towards = others * smooth_step(share[k], WHITENS_FROM, 1 / (SATURATED - WHITENS_FROM));
            double by_line = lost[k] * (estimate - balanced[k]), by_level = towards * (ceiling[k] - balanced[k]);
            raised[k] = balanced[k] + higher(by_line, by_level);
        }
        double red = log_of(higher(raised[0], DARKEST)), blue = log_of(higher(raised[2], DARKEST));
        double line = exp_of(lights->a * red + (1 - lights->a) * blue + tint[i]);
        raised[1] += lost[1] * higher(lower(line, ceiling[1]) - raised[1], 0);
        gains->red[i] = (raised[0] - balanced[0]) * lights->neutral[0];
        gains->green[i] = (raised[1] - balanced[1]) * lights->neutral[1];
        gains->blue[i] = (raised[2] - balanced[2]) * lights->neutral[2];
    }
}

FAST static void rebuild_all(const double *share, const double *warmth, const double *tint,
                             const Lights *lights, Py_ssize_t count, double *gain)
{
    Colours shares = {{0}, {0}, {0}}, gains;
    double around[2][MANY] = {{0}, {0}};
    for (Py_ssize_t first = 0; first < count; first += MANY) {
        int taken = count - first < MANY ? (int)(count - first) : MANY;
        for (int i = 0; i < taken; i++) {
            const double *own = share + 3 * (first + i);
            shares.red[i] = own[0];
            shares.green[i] = own[1];
            shares.blue[i] = own[2];
        }
        memcpy(around[0], warmth + first, taken * sizeof *warmth);
        memcpy(around[1], tint + first, taken * sizeof *tint);
        rebuild(&shares, around[0], around[1], lights, &gains);
        for (int i = 0; i < taken; i++) {
            double *own = gain + 3 * (first + i);
            own[0] = gains.red[i];
            own[1] = gains.green[i];
            own[2] = gains.blue[i];
        }
    }
}

static const Argument rebuild_arguments[] = {
    {"share", 'd', 0, 2, {-1, 3}}, {"warmth", 'd', 0, 1, {-1}}, {"tint", 'd', 0, 1, {-1}},
    {"neutral", 'd', 0, 1, {3}},   {"gain", 'd', 1, 2, {-1, 3}}};

PyObject *rebuild_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[5];
    Arrays arrays;
    Lights lights;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOddO", &given[0], &given[1], &given[2], &given[3], &lights.a,
                          &lights.highest, &given[4])
        || open_arrays(given, rebuild_arguments, 5, &arrays) < 0)
        return NULL;
    lights.log_highest = log_of(lights.highest);
    memcpy(lights.neutral, arrays.view[3].buf, sizeof lights.neutral);
    Py_BEGIN_ALLOW_THREADS
    rebuild_all(arrays.view[0].buf, arrays.view[1].buf, arrays.view[2].buf, &lights, arrays.length[0],
                arrays.view[4].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}

/* ---- mixtures at the edge */

#define REACH 2
#define SIDED 0.5

typedef struct {
    const double *share, *doubted_gain;
    const int32_t *index;
    Py_ssize_t width;
} Around;

/* What a pixel would be without its saturated neighbours, whose middle lies at (down, right) from it. */
INLINE void without(const Around *around, Py_ssize_t place, double down, double right, const double *own,
                    const double *darkest, double *result)
{
    double length = sqrt(down * down + right * right), back = -1 / higher(length, 1e-6);
    int usable = length > SIDED;
    const double *seen[2];
    for (int i = 0; i < 2; i++) {
        int distance = 2 + i;
        Py_ssize_t there = place + (Py_ssize_t)rint(down * back * distance) * around->width
                           + (Py_ssize_t)rint(right * back * distance);
        usable &= around->index[there] < 0;
        seen[i] = around->share + 3 * there;
    }
    for (int k = 0; k < 3; k++) {
        double continued = lower(higher(3 * seen[0][k] - 2 * seen[1][k], darkest[k]), own[k]);
        result[k] = usable ? continued : darkest[k];
    }
}

INLINE void mix(const Around *around, Py_ssize_t place, double *gain)
{
    const double *own = around->share + 3 * place;
    double darkest[3], bright[3] = {0, 0, 0}, added[3] = {0, 0, 0}, dark[3];
    int count = 0, down = 0, right = 0;
    memcpy(darkest, own, sizeof darkest);
    for (int y = -REACH; y <= REACH; y++)
        for (int x = -REACH; x <= REACH; x++) {
            Py_ssize_t there = place + y * around->width + x;
            const double *share = around->share + 3 * there;
            int32_t doubted = around->index[there];
            if (!x && !y)
                continue;
            for (int k = 0; k < 3; k++)
                darkest[k] = lower(share[k], darkest[k]);
            if (doubted < 0)
                continue;
            count++;
            down += y;
            right += x;
            for (int k = 0; k < 3; k++) {
                bright[k] += share[k];
                added[k] += around->doubted_gain[3 * (Py_ssize_t)doubted + k];
            }
        }
    if (!count) { /* then it is no edge */
        memset(gain, 0, 3 * sizeof *gain);
        return;
    }
    without(around, place, (double)down / count, (double)right / count, own, darkest, dark);
    double way[3], far = 0, near = 0;
    for (int k = 0; k < 3; k++) {
        way[k] = bright[k] / count - dark[k];
        near += (own[k] - dark[k]) * way[k];
        far += way[k] * way[k];
    }
    double between = lower(higher(near / higher(far, 1e-12), 0), 1);
    for (int k = 0; k < 3; k++)
        gain[k] = between * (added[k] / count);
}

FAST static void mix_all(const Around *around, const int32_t *edge, Py_ssize_t count, double *gain)
{
    for (Py_ssize_t i = 0; i < count; i++)
        mix(around, edge[i], gain + 3 * i);
}

static const Argument mix_arguments[] = {{"share", 'd', 0, 2, {-1, 3}},
                                         {"index", 'i', 0, 1, {-1}},
                                         {"edge", 'i', 0, 1, {-2}},
                                         {"doubted_gain", 'd', 0, 2, {-3, 3}},
                                         {"gain", 'd', 1, 2, {-2, 3}}};

static int is_inside(const Arrays *arrays, Py_ssize_t width)
{
    const int32_t *index = arrays->view[1].buf, *edge = arrays->view[2].buf;
    Py_ssize_t reach = (REACH + 1) * (width + 1);
    for (Py_ssize_t i = 0; i < arrays->length[0]; i++)
        if (index[i] >= arrays->length[2])
            return 0;
    for (Py_ssize_t i = 0; i < arrays->length[1]; i++)
        if (edge[i] < reach || edge[i] >= arrays->length[0] - reach)
            return 0;
    return 1;
}

PyObject *mix_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[5];
    Arrays arrays;
    Around around;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOnOO", &given[0], &given[1], &given[2], &around.width, &given[3],
                          &given[4])
        || open_arrays(given, mix_arguments, 5, &arrays) < 0)
        return NULL;
    if (around.width < 1 || around.width > 1 << 24 || !is_inside(&arrays, around.width)) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, "edge: pixels without neighbours, or gains that are not there");
        return NULL;
    }
    around.share = arrays.view[0].buf;
    around.index = arrays.view[1].buf;
    around.doubted_gain = arrays.view[3].buf;
    Py_BEGIN_ALLOW_THREADS
    mix_all(&around, arrays.view[2].buf, arrays.length[1], arrays.view[4].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
