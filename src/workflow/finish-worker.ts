import { serveTasks } from '../kernels/index.js';
import { finishTasks } from './_finish-tasks.js';

serveTasks(finishTasks);
