#include "coldframe/core/parallel.hpp"

#include <algorithm>
#include <atomic>
#include <exception>
#include <limits>
#include <mutex>
#include <thread>
#include <vector>

#ifdef COLDFRAME_OPENMP
#include <omp.h>
#endif

namespace coldframe {
namespace {

/// Keeps the exception of the lowest index; errors leave a parallel region as data.
/// Indices below a failed one still run: which exception comes out is then the
/// same for any number of threads.
class FirstFailure {
 public:
  void store(std::size_t index) noexcept {
    const std::lock_guard lock(mutex_);
    if (index < lowest_.load(std::memory_order_relaxed)) {
      failure_ = std::current_exception();
      lowest_.store(index, std::memory_order_relaxed);
    }
  }
  [[nodiscard]] bool bars(std::size_t index) const noexcept {
    return index > lowest_.load(std::memory_order_relaxed);
  }
  void rethrow() const {
    if (failure_) std::rethrow_exception(failure_);
  }

 private:
  std::mutex mutex_;
  std::exception_ptr failure_;
  std::atomic<std::size_t> lowest_{std::numeric_limits<std::size_t>::max()};
};

void run_one(const std::function<void(std::size_t)>& body, std::size_t index,
             FirstFailure& failure) noexcept {
  if (failure.bars(index)) return;
  try {
    body(index);
  } catch (...) {
    failure.store(index);
  }
}

#ifdef COLDFRAME_OPENMP

bool inside_parallel() noexcept { return omp_in_parallel() != 0; }

void run_all(int threads, std::size_t count, const std::function<void(std::size_t)>& body,
             FirstFailure& failure) {
#pragma omp parallel for num_threads(threads) schedule(dynamic, 1)
  for (std::size_t i = 0; i < count; ++i) run_one(body, i, failure);
}

#else

// A worker must know that it is one, so that nested calls run serially, as under OpenMP.
thread_local bool is_worker = false;

bool inside_parallel() noexcept { return is_worker; }

void run_all(int threads, std::size_t count, const std::function<void(std::size_t)>& body,
             FirstFailure& failure) {
  std::atomic<std::size_t> next{0};
  const auto work = [&] {
    const bool before = is_worker;
    is_worker = true;
    for (std::size_t i = next.fetch_add(1); i < count; i = next.fetch_add(1)) {
      run_one(body, i, failure);
    }
    is_worker = before;
  };
  std::vector<std::jthread> workers;
  workers.reserve(static_cast<std::size_t>(threads - 1));
  for (int t = 1; t < threads; ++t) workers.emplace_back(work);
  work();
}

#endif

}  // namespace

int Threads::resolved() const noexcept {
  if (count > 0) return count;
  const unsigned processors = std::thread::hardware_concurrency();
  return processors > 0 ? static_cast<int>(processors) : 1;
}

void parallel_for(Threads threads, std::size_t count,
                  const std::function<void(std::size_t)>& body) {
  const auto wanted = static_cast<std::size_t>(threads.resolved());
  const int used = static_cast<int>(std::min(wanted, std::max<std::size_t>(count, 1)));
  FirstFailure failure;
  if (used <= 1 || inside_parallel()) {
    for (std::size_t i = 0; i < count && !failure.bars(i); ++i) run_one(body, i, failure);
  } else {
    run_all(used, count, body, failure);
  }
  failure.rethrow();
}

void parallel_bands(Threads threads, int rows, int rows_per_band,
                    const std::function<void(int, int)>& body) {
  if (rows <= 0) return;
  const int band = std::max(rows_per_band, 1);
  const auto count = static_cast<std::size_t>((rows + band - 1) / band);
  parallel_for(threads, count, [&](std::size_t i) {
    const int y0 = static_cast<int>(i) * band;
    body(y0, std::min(y0 + band, rows));
  });
}

const char* parallel_back_end() noexcept {
#ifdef COLDFRAME_OPENMP
  return "openmp";
#else
  return "jthread";
#endif
}

}  // namespace coldframe
