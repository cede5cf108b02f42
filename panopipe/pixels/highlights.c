/* See panopipe/studies/clipped/band.py, and rebuild.py and edge.py beside it. */
#include "precise.h"
#include <math.h>

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

/* ---- which samples are doubted */

/* The farthest that `without` looks. */
#define AWAY 3

/* As in band.py, where their meaning is told. */
#define DOUBTED 1
#define FULL 2
#define EDGE 4

typedef struct {
    const void *samples;
    char type;
    Py_ssize_t rows, width;
    Py_ssize_t margin, reach; /* outer rows on either side; how far a mixture may lie from what it mixes */
} Chunk;

/* A sample by its number among those of all planes; `type` is known where this is compiled in. */
INLINE float sample_at(const void *samples, char type, Py_ssize_t i)
{
    return type == 'H' ? (float)((const uint16_t *)samples)[i]
           : type == 'B' ? (float)((const uint8_t *)samples)[i]
                         : ((const float *)samples)[i];
}

/* What a sample must be above: as it is, and rounded down for samples of 16 bits, over and over by plane. */
typedef struct {
    float above[3 * BLOCK], full[3];
    uint16_t above_16[3 * BLOCK];
} Thresholds;

INLINE int any_above(const void *samples, char type, Py_ssize_t first, int count,
                     const Thresholds *thresholds)
{
    if (type == 'H') {
        const uint16_t *own = (const uint16_t *)samples + first;
        uint16_t over = 0;
        for (int i = 0; i < count; i++)
            over |= own[i] > thresholds->above_16[i] ? 0xffff : 0;
        return over != 0;
    }
    int any = 0;
    for (int i = 0; i < count; i++)
        any |= sample_at(samples, type, first + i) > thresholds->above[i];
    return any;
}

/* Mark the pixels of a block; whether any is doubted. */
INLINE int mark_block(const Chunk *chunk, char type, Py_ssize_t first, int count,
                      const Thresholds *RESTRICT thresholds, uint8_t *RESTRICT marks)
{
    const float *above = thresholds->above, *full = thresholds->full;
    memset(marks + first, 0, count);
    if (!any_above(chunk->samples, type, 3 * first, 3 * count, thresholds))
        return 0;
    for (Py_ssize_t i = first; i < first + count; i++) {
        float red = sample_at(chunk->samples, type, 3 * i);
        float green = sample_at(chunk->samples, type, 3 * i + 1);
        float blue = sample_at(chunk->samples, type, 3 * i + 2);
        int doubted = (red > above[0]) | (green > above[1]) | (blue > above[2]);
        int is_full = (red >= full[0]) & (green >= full[1]) & (blue >= full[2]);
        marks[i] = (uint8_t)(doubted * DOUBTED + is_full * FULL);
    }
    return 1;
}

INLINE int mark_samples(const Chunk *chunk, char type, const Thresholds *thresholds, uint8_t *marks)
{
    Py_ssize_t count = chunk->rows * chunk->width, whole = count / BLOCK * BLOCK;
    int any = 0;
    for (Py_ssize_t first = 0; first < whole; first += BLOCK)
        any |= mark_block(chunk, type, first, BLOCK, thresholds, marks);
    return any | mark_block(chunk, type, whole, (int)(count - whole), thresholds, marks);
}

FAST static int mark_16(const Chunk *chunk, const Thresholds *thresholds, uint8_t *marks)
{
    return mark_samples(chunk, 'H', thresholds, marks);
}

FAST static int mark_8(const Chunk *chunk, const Thresholds *thresholds, uint8_t *marks)
{
    return mark_samples(chunk, 'B', thresholds, marks);
}

FAST static int mark_float(const Chunk *chunk, const Thresholds *thresholds, uint8_t *marks)
{
    return mark_samples(chunk, 'f', thresholds, marks);
}

static void fill_thresholds(const float *given, Thresholds *thresholds)
{
    for (int i = 0; i < 3 * BLOCK; i++) {
        float above = given[i % 3];
        thresholds->above[i] = above;
        thresholds->above_16[i] = (uint16_t)(above < 0 ? 0 : above > 65535 ? 65535 : above);
    }
    memcpy(thresholds->full, given + 3, sizeof thresholds->full);
}

/* What is marked within reach of each pixel of a row, going round. `near` and `around` have room for `reach`
   more on either side. */
FAST static void mark_edges(uint8_t *marks, Py_ssize_t row, Py_ssize_t width, Py_ssize_t reach,
                            uint8_t *RESTRICT near, uint8_t *RESTRICT around)
{
    uint8_t *RESTRICT own = marks + row * width;
    memset(near + reach, 0, width);
    memset(around, 0, width);
    for (Py_ssize_t down = -reach; down <= reach; down++) {
        const uint8_t *other = own + down * width;
        for (Py_ssize_t i = 0; i < width; i++)
            near[reach + i] |= other[i];
    }
    for (Py_ssize_t i = 0; i < reach; i++) {
        near[i] = near[width + i];
        near[reach + width + i] = near[reach + i];
    }
    for (Py_ssize_t right = 0; right <= 2 * reach; right++)
        for (Py_ssize_t i = 0; i < width; i++)
            around[i] |= near[right + i];
    for (Py_ssize_t i = 0; i < width; i++)
        own[i] |= (around[i] & (uint8_t)~own[i] & (DOUBTED | FULL)) ? EDGE : 0;
}

static Py_ssize_t count_marked(const uint8_t *marks, Py_ssize_t count, int which)
{
    Py_ssize_t found = 0;
    for (Py_ssize_t i = 0; i < count; i++)
        found += (marks[i] & which) != 0;
    return found;
}

static const Argument mark_arguments[] = {{"samples", ANY_SAMPLES, 0, 3, {-1, -2, 3}},
                                          {"thresholds", 'f', 0, 2, {2, 3}},
                                          {"marks", 'B', 1, 2, {-1, -2}}};

static Chunk chunk_of(const Arrays *arrays, Py_ssize_t margin, Py_ssize_t reach)
{
    const Py_buffer *samples = &arrays->view[0];
    return (Chunk){samples->buf, samples->format[0], arrays->length[0], arrays->length[1], margin, reach};
}

/* Whether all that an inner pixel may look at is there: `reach` around it, and AWAY to one side. */
static int is_whole(const Chunk *chunk)
{
    return chunk->reach > 0 && chunk->margin >= chunk->reach && chunk->margin >= AWAY && chunk->margin < 1 << 24
           && chunk->rows >= 2 * chunk->margin && chunk->width >= 2 * chunk->margin && chunk->width <= 1 << 24;
}

PyObject *mark_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Py_ssize_t margin, reach;
    uint8_t *near = NULL;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOnnO", &given[0], &given[1], &margin, &reach, &given[2])
        || open_arrays(given, mark_arguments, 3, &arrays) < 0)
        return NULL;
    Chunk chunk = chunk_of(&arrays, margin, reach);
    if (!is_whole(&chunk))
        PyErr_SetString(PyExc_ValueError, "samples: too few rows or columns, or too many");
    else if (!(near = PyMem_Malloc(2 * (chunk.width + 2 * reach))))
        PyErr_NoMemory();
    if (!near) {
        close_arrays(&arrays);
        return NULL;
    }
    uint8_t *marks = arrays.view[2].buf;
    Thresholds thresholds;
    Py_ssize_t found = 0, inner = (chunk.rows - 2 * margin) * chunk.width;
    Py_BEGIN_ALLOW_THREADS
    fill_thresholds(arrays.view[1].buf, &thresholds);
    if ((chunk.type == 'H' ? mark_16 : chunk.type == 'B' ? mark_8 : mark_float)(&chunk, &thresholds, marks)) {
        for (Py_ssize_t row = margin; row < chunk.rows - margin; row++)
            mark_edges(marks, row, chunk.width, reach, near, near + chunk.width + 2 * reach);
        found = count_marked(marks + margin * chunk.width, inner, DOUBTED | EDGE);
    }
    Py_END_ALLOW_THREADS
    PyMem_Free(near);
    close_arrays(&arrays);
    return PyLong_FromSsize_t(found);
}

/* ---- what they lack */

typedef struct {
    const double *values; /* warmth and tint */
    Py_ssize_t rows, columns;
} Map;

typedef struct {
    Chunk chunk;
    const uint8_t *marks;
    const double *black, *scale;
    Map map;
    Lights lights;
    Py_ssize_t first, anchor; /* the frame's row of the first inner row; the column at which the map begins */
    int32_t *index;           /* of doubted pixels among `gains` */
    double *gains;
} Work;

INLINE double share_at(const Work *work, char type, Py_ssize_t place, int plane)
{
    double sample = sample_at(work->chunk.samples, type, 3 * place + plane);
    return (sample - work->black[plane]) * work->scale[plane];
}

INLINE Py_ssize_t round_the_seam(Py_ssize_t column, Py_ssize_t width)
{
    return column < 0 ? column + width : column < width ? column : column - width;
}

/* Warmth and tint at a pixel of the frame; rows beyond a pole by the half-turn rule. */
INLINE void read_map(const Work *work, Py_ssize_t row, Py_ssize_t column, double *warmth, double *tint)
{
    Py_ssize_t width = work->chunk.width, height = width / 2;
    const Map *map = &work->map;
    double per_pixel = (double)map->columns / (double)width;
    column = round_the_seam(column - work->anchor, width);
    if (row < 0 || row >= height) {
        row = row < 0 ? -1 - row : 2 * height - 1 - row;
        column = round_the_seam(column + height, width);
    }
    double x = ((double)column + 0.5) * per_pixel - 0.5, y = ((double)row + 0.5) * per_pixel - 0.5;
    y = lower(higher(y, 0), (double)(map->rows - 1));
    Py_ssize_t left = x < 0 ? -1 : (Py_ssize_t)x, above = (Py_ssize_t)y;
    Py_ssize_t right = round_the_seam(left + 1, map->columns);
    Py_ssize_t below = above + 1 < map->rows ? above + 1 : above;
    double right_part = x - (double)left, down_part = y - (double)above, found[2];
    left = round_the_seam(left, map->columns);
    for (int k = 0; k < 2; k++) {
        const double *values = map->values + k;
        double a = values[2 * (above * map->columns + left)], b = values[2 * (above * map->columns + right)];
        double c = values[2 * (below * map->columns + left)], d = values[2 * (below * map->columns + right)];
        double top = a + right_part * (b - a), bottom = c + right_part * (d - c);
        found[k] = top + down_part * (bottom - top);
    }
    *warmth = found[0];
    *tint = found[1];
}

typedef struct {
    Colours shares, gains;
    double warmth[MANY], tint[MANY];
    int32_t index[MANY];
    int count;
} Batch;

INLINE void finish_batch(const Work *work, Batch *batch)
{
    rebuild(&batch->shares, batch->warmth, batch->tint, &work->lights, &batch->gains);
    for (int i = 0; i < batch->count; i++) {
        double *gain = work->gains + 3 * (Py_ssize_t)batch->index[i];
        gain[0] = batch->gains.red[i];
        gain[1] = batch->gains.green[i];
        gain[2] = batch->gains.blue[i];
    }
    batch->count = 0;
}

/* The next place from here on, at most `end`, whose mark has any of some bits; where none has, eight at a
   time. */
INLINE Py_ssize_t next_marked(const uint8_t *marks, Py_ssize_t place, Py_ssize_t end, int which)
{
    uint64_t eight, all = 0x0101010101010101u * (uint64_t)which;
    for (; place + 8 <= end; place += 8) {
        memcpy(&eight, marks + place, 8);
        if (eight & all)
            break;
    }
    while (place < end && !(marks[place] & which))
        place++;
    return place;
}

/* Number a doubted pixel, and find what it lacks, or put it into the batch. */
INLINE void take_doubted(const Work *work, char type, Py_ssize_t row, Py_ssize_t column, int32_t number,
                         Batch *batch)
{
    Py_ssize_t place = row * work->chunk.width + column;
    double share[3];
    for (int k = 0; k < 3; k++)
        share[k] = share_at(work, type, place, k);
    work->index[place] = number;
    if (work->marks[place] & FULL) {
        for (int k = 0; k < 3; k++)
            work->gains[3 * (Py_ssize_t)number + k]
                = higher(work->lights.highest * work->lights.neutral[k] - share[k], 0);
        return;
    }
    int i = batch->count++;
    batch->shares.red[i] = share[0];
    batch->shares.green[i] = share[1];
    batch->shares.blue[i] = share[2];
    batch->index[i] = number;
    read_map(work, work->first + row - work->chunk.margin, column, &batch->warmth[i], &batch->tint[i]);
    if (batch->count == MANY)
        finish_batch(work, batch);
}

/* All doubted pixels of the rows that edges may ask for. */
INLINE void fill_gains(const Work *work, char type)
{
    Py_ssize_t width = work->chunk.width, outside = work->chunk.margin - work->chunk.reach;
    Batch batch = {.count = 0};
    int32_t found = 0;
    for (Py_ssize_t row = outside; row < work->chunk.rows - outside; row++) {
        const uint8_t *marks = work->marks + row * width;
        for (Py_ssize_t column = next_marked(marks, 0, width, DOUBTED); column < width;
             column = next_marked(marks, column + 1, width, DOUBTED))
            take_doubted(work, type, row, column, found++, &batch);
    }
    finish_batch(work, &batch);
}

/* What a pixel would be without its saturated neighbours, whose middle lies at (down, right) from it. */
INLINE void without(const Work *work, char type, Py_ssize_t row, Py_ssize_t column, double down, double right,
                    const double *own, const double *darkest, double *result)
{
    double length = sqrt(down * down + right * right), back = -1 / higher(length, 1e-6);
    Py_ssize_t width = work->chunk.width, seen[2];
    int usable = length > work->lights.constants.sided;
    for (int i = 0; i < 2; i++) {
        int distance = AWAY - 1 + i;
        Py_ssize_t across = column + (Py_ssize_t)rint(right * back * distance);
        seen[i] = (row + (Py_ssize_t)rint(down * back * distance)) * width + round_the_seam(across, width);
        usable &= !(work->marks[seen[i]] & DOUBTED);
    }
    for (int k = 0; k < 3; k++) {
        double near = share_at(work, type, seen[0], k), far = share_at(work, type, seen[1], k);
        double continued = lower(higher(3 * near - 2 * far, darkest[k]), own[k]);
        result[k] = usable ? continued : darkest[k];
    }
}

INLINE void mix(const Work *work, char type, Py_ssize_t row, Py_ssize_t column, double *gain)
{
    Py_ssize_t width = work->chunk.width;
    int reach = (int)work->chunk.reach;
    double own[3], darkest[3], bright[3] = {0, 0, 0}, added[3] = {0, 0, 0}, dark[3];
    int count = 0, down = 0, right = 0;
    for (int k = 0; k < 3; k++)
        own[k] = darkest[k] = share_at(work, type, row * width + column, k);
    for (int y = -reach; y <= reach; y++)
        for (int x = -reach; x <= reach; x++) {
            Py_ssize_t there = (row + y) * width + round_the_seam(column + x, width);
            double share[3];
            if (!x && !y)
                continue;
            for (int k = 0; k < 3; k++) {
                share[k] = share_at(work, type, there, k);
                darkest[k] = lower(share[k], darkest[k]);
            }
            if (!(work->marks[there] & DOUBTED))
                continue;
            count++;
            down += y;
            right += x;
            for (int k = 0; k < 3; k++) {
                bright[k] += share[k];
                added[k] += work->gains[3 * (Py_ssize_t)work->index[there] + k];
            }
        }
    without(work, type, row, column, (double)down / count, (double)right / count, own, darkest, dark);
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

INLINE double tint_of(const double *share, const Lights *lights)
{
    double logs[3];
    for (int k = 0; k < 3; k++)
        logs[k] = log_of(higher(share[k] / lights->neutral[k], lights->constants.darkest));
    return logs[1] - lights->a * logs[0] - (1 - lights->a) * logs[2];
}

/* Of what an edge pixel lacks as a mixture, beyond what it lacks by itself, as much as the line of lights
   allows. */
INLINE void hold_to_line(const Work *work, char type, Py_ssize_t row, Py_ssize_t column, const double *own,
                         double *gain)
{
    const Lights *lights = &work->lights;
    double share[3], more[3], there[3], warmth, tint, part = 1;
    read_map(work, work->first + row - work->chunk.margin, column, &warmth, &tint);
    for (int k = 0; k < 3; k++) {
        share[k] = share_at(work, type, row * work->chunk.width + column, k) + own[k];
        more[k] = gain[k] - own[k];
    }
    double before = tint_of(share, lights);
    double highest = higher(before, tint) + lights->constants.tint_off, lowest = lower(before, tint) - lights->constants.tint_off;
    for (int step = 0; step < 2; step++) {
        for (int k = 0; k < 3; k++)
            there[k] = share[k] + part * more[k];
        double now = tint_of(there, lights), bound = lower(higher(now, lowest), highest);
        if (now != bound)
            part = part * ((bound - before) / (now - before));
    }
    for (int k = 0; k < 3; k++)
        gain[k] = own[k] + part * more[k];
}

/* What a marked pixel lacks. */
INLINE void lacking_at(const Work *work, char type, Py_ssize_t row, Py_ssize_t column, double *gain)
{
    Py_ssize_t place = row * work->chunk.width + column;
    int mark = work->marks[place];
    double own[3] = {0, 0, 0};
    if (mark & DOUBTED)
        memcpy(own, work->gains + 3 * (Py_ssize_t)work->index[place], sizeof own);
    if (!(mark & EDGE)) {
        memcpy(gain, own, sizeof own);
        return;
    }
    mix(work, type, row, column, gain);
    for (int k = 0; k < 3; k++)
        gain[k] = higher(own[k], gain[k]);
    hold_to_line(work, type, row, column, own, gain);
}

/* Marked pixels of the inner rows, in order, and what they lack; never more than there is room for. */
INLINE Py_ssize_t write_gains(const Work *work, char type, int32_t *places, double *gain, Py_ssize_t room)
{
    Py_ssize_t width = work->chunk.width, margin = work->chunk.margin, count = 0;
    for (Py_ssize_t row = margin; row < work->chunk.rows - margin; row++) {
        const uint8_t *marks = work->marks + row * width;
        for (Py_ssize_t column = next_marked(marks, 0, width, DOUBTED | EDGE); column < width && count < room;
             column = next_marked(marks, column + 1, width, DOUBTED | EDGE), count++) {
            lacking_at(work, type, row, column, gain + 3 * count);
            places[count] = (int32_t)((row - margin) * width + column);
        }
    }
    return count;
}

INLINE Py_ssize_t find_lacking(const Work *work, char type, int32_t *places, double *gain, Py_ssize_t room)
{
    fill_gains(work, type);
    return write_gains(work, type, places, gain, room);
}

FAST static Py_ssize_t lacking_16(const Work *work, int32_t *places, double *gain, Py_ssize_t room)
{
    return find_lacking(work, 'H', places, gain, room);
}

FAST static Py_ssize_t lacking_8(const Work *work, int32_t *places, double *gain, Py_ssize_t room)
{
    return find_lacking(work, 'B', places, gain, room);
}

FAST static Py_ssize_t lacking_float(const Work *work, int32_t *places, double *gain, Py_ssize_t room)
{
    return find_lacking(work, 'f', places, gain, room);
}

INLINE int has_doubted_neighbour(const Work *work, Py_ssize_t row, Py_ssize_t column)
{
    int found = 0, reach = (int)work->chunk.reach;
    for (int y = -reach; y <= reach; y++)
        for (int x = -reach; x <= reach; x++) {
            Py_ssize_t across = round_the_seam(column + x, work->chunk.width);
            found |= (x || y) && work->marks[(row + y) * work->chunk.width + across] & DOUBTED;
        }
    return found;
}

/* Whether each edge is one: then there is something beside it to mix with, and to divide by. */
static int edges_have_neighbours(const Work *work)
{
    Py_ssize_t width = work->chunk.width, margin = work->chunk.margin;
    for (Py_ssize_t row = margin; row < work->chunk.rows - margin; row++) {
        const uint8_t *marks = work->marks + row * width;
        for (Py_ssize_t column = next_marked(marks, 0, width, EDGE); column < width;
             column = next_marked(marks, column + 1, width, EDGE))
            if (!has_doubted_neighbour(work, row, column))
                return 0;
    }
    return 1;
}

static const Argument lacking_arguments[] = {
    {"samples", ANY_SAMPLES, 0, 3, {-1, -2, 3}}, {"marks", 'B', 0, 2, {-1, -2}},
    {"levels", 'd', 0, 2, {3, 3}},               {"warmth_tint", 'd', 0, 3, {-3, -4, 2}},
    {"constants", 'd', 0, 1, {9}},               {"places", 'i', 1, 1, {-5}},
    {"gain", 'd', 1, 2, {-5, 3}}};

PyObject *lacking_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[7];
    Arrays arrays;
    Py_ssize_t margin, reach;
    Work work;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOOnnnnddOO", &given[0], &given[1], &given[2], &given[3], &given[4], &margin,
                          &reach, &work.first, &work.anchor, &work.lights.a, &work.lights.highest, &given[5],
                          &given[6])
        || open_arrays(given, lacking_arguments, 7, &arrays) < 0)
        return NULL;
    const double *levels = arrays.view[2].buf;
    work.chunk = chunk_of(&arrays, margin, reach);
    work.marks = arrays.view[1].buf;
    work.black = levels;
    work.scale = levels + 3;
    work.map = (Map){arrays.view[3].buf, arrays.length[2], arrays.length[3]};
    memcpy(work.lights.neutral, levels + 6, sizeof work.lights.neutral);
    memcpy(&work.lights.constants, arrays.view[4].buf, sizeof work.lights.constants);
    work.lights.log_highest = log_of(work.lights.highest);
    Py_ssize_t pixels = work.chunk.rows * work.chunk.width, found = -1;
    work.index = NULL;
    work.gains = NULL;
    if (!is_whole(&work.chunk) || pixels > 1 << 30 || !work.map.rows || !work.map.columns || work.anchor < 0
        || work.anchor >= work.chunk.width || work.first < 0
        || work.first + work.chunk.rows - 2 * margin > work.chunk.width / 2 || !edges_have_neighbours(&work))
        PyErr_SetString(PyExc_ValueError, "marks, or a row or column that is none of the frame's");
    else {
        Py_ssize_t doubted = count_marked(work.marks, pixels, DOUBTED);
        work.index = PyMem_Malloc(pixels * sizeof *work.index);
        work.gains = PyMem_Malloc((doubted + 1) * 3 * sizeof *work.gains);
        if (!work.index || !work.gains)
            PyErr_NoMemory();
        else {
            Py_BEGIN_ALLOW_THREADS
            found = (work.chunk.type == 'H'   ? lacking_16
                     : work.chunk.type == 'B' ? lacking_8
                                              : lacking_float)(&work, arrays.view[5].buf, arrays.view[6].buf,
                                                               arrays.length[4]);
            Py_END_ALLOW_THREADS
        }
    }
    PyMem_Free(work.index);
    PyMem_Free(work.gains);
    close_arrays(&arrays);
    return found < 0 ? NULL : PyLong_FromSsize_t(found);
}
