/* What marked pixels lack; see panopipe/studies/clipped/band.py, and edge.py beside it. */
#include "highlights.h"
#include "rebuild.h"
#include <math.h>

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

/* Its share of what its saturated neighbours lack; how much of its light is theirs, as far as they lack some. */
INLINE double mix(const Work *work, char type, Py_ssize_t row, Py_ssize_t column, double *gain)
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
    double left = dark[0] + dark[1] + dark[2], whole = own[0] + own[1] + own[2];
    double more = added[0] / count + added[1] / count + added[2] / count;
    double there = bright[0] / count + bright[1] / count + bright[2] / count;
    double darkest_light = work->lights.constants.darkest;
    double theirs = lower(higher(1 - left / higher(whole, darkest_light), 0), 1);
    return theirs * (more / higher(more + there, darkest_light));
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
                         double window, double *gain)
{
    const Lights *lights = &work->lights;
    double sample[3], share[3], more[3], there[3], warmth, tint, part = 1;
    read_map(work, work->first + row - work->chunk.margin, column, &warmth, &tint);
    for (int k = 0; k < 3; k++) {
        sample[k] = share_at(work, type, row * work->chunk.width + column, k);
        share[k] = sample[k] + own[k];
        more[k] = gain[k] - own[k];
    }
    double before = tint_of(share, lights);
    double off = lights->constants.tint_off, highest = higher(before, tint) + off, lowest = lower(before, tint) - off;
    for (int step = 0; step < 2; step++) {
        for (int k = 0; k < 3; k++)
            there[k] = share[k] + part * more[k];
        double now = tint_of(there, lights), bound = lower(higher(now, lowest), highest);
        if (now != bound)
            part = part * ((bound - before) / (now - before));
    }
    for (int k = 0; k < 3; k++) {
        gain[k] = own[k] + part * more[k];
        there[k] = sample[k] + gain[k];
    }
    double excess = higher(tint_of(there, lights) - tint, 0);
    gain[1] = there[1] * exp_of(-(excess * window)) - sample[1];
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
    double window = mix(work, type, row, column, gain);
    for (int k = 0; k < 3; k++)
        gain[k] = higher(own[k], gain[k]);
    hold_to_line(work, type, row, column, own, window, gain);
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

WIDE static Py_ssize_t lacking_16(const Work *work, int32_t *places, double *gain, Py_ssize_t room)
{
    return find_lacking(work, 'H', places, gain, room);
}

WIDE static Py_ssize_t lacking_8(const Work *work, int32_t *places, double *gain, Py_ssize_t room)
{
    return find_lacking(work, 'B', places, gain, room);
}

WIDE static Py_ssize_t lacking_float(const Work *work, int32_t *places, double *gain, Py_ssize_t room)
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
