#pragma once
#include <atomic>
#include <chrono>
#include <functional>
#include <thread>

namespace lobetime {

/// Tells all threads of a long computation to stop when the caller's `progress` says so (false, or by throwing). Only
/// the thread that made the supervisor asks it, about ten times a second.
class Supervisor {
public:
    using Progress = std::function<bool(int done, int total)>;

    Supervisor(const Progress& progress, int total) : progress_(progress), total_(total) {}

    /// For each thread to ask between its steps.
    bool stopped() {
        if (progress_ && std::this_thread::get_id() == caller_) {
            const auto now = std::chrono::steady_clock::now();
            if (now - last_asked_ >= kBetween) {
                last_asked_ = now;
                ask();
            }
        }
        return stop_.load();
    }

    /// Tells the caller that all is done.
    void finish() {
        if (progress_ && !stop_.load()) ask();
    }

    std::atomic<int> done{0};

private:
    static constexpr auto kBetween = std::chrono::milliseconds(100);

    void ask() {
        try {
            if (!progress_(done.load(), total_)) stop_.store(true);
        } catch (...) {
            stop_.store(true);
            throw;
        }
    }

    const Progress& progress_;
    int total_;
    const std::thread::id caller_ = std::this_thread::get_id();
    std::chrono::steady_clock::time_point last_asked_ = std::chrono::steady_clock::now();
    std::atomic<bool> stop_{false};
};

}  // namespace lobetime
